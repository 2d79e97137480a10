#include "host/base/nearest.h"

#include <algorithm>
#include <cctype>
#include <cstddef>

namespace tenterhook {
namespace {

// Names longer than this are never suggested for: keeps the work bounded on hostile input.
constexpr std::size_t kLongest = 48;

char lower(char c) {
  return static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
}

// Letters and digits that a hurried hand or eye takes for each other.
bool alike(char p, char q) {
  const auto pair = [&](char a, char b) { return (p == a && q == b) || (p == b && q == a); };
  return lower(p) == lower(q) || pair('O', '0') || pair('o', '0') || pair('l', '1') ||
         pair('I', '1') || pair('I', 'l');
}

// Optimal string alignment distance, in halves: a look-alike is 1, any other edit 2.
int distance(std::string_view a, std::string_view b) {
  const std::size_t width = b.size() + 1;
  std::vector<int> before(width), last(width), now(width);
  for (std::size_t j = 0; j < width; ++j) last[j] = static_cast<int>(2 * j);
  for (std::size_t i = 1; i <= a.size(); ++i) {
    now[0] = static_cast<int>(2 * i);
    for (std::size_t j = 1; j < width; ++j) {
      const char p = a[i - 1], q = b[j - 1];
      const int replace = p == q ? 0 : (alike(p, q) ? 1 : 2);
      now[j] = std::min({last[j] + 2, now[j - 1] + 2, last[j - 1] + replace});
      if (i > 1 && j > 1 && p == b[j - 2] && a[i - 2] == q)
        now[j] = std::min(now[j], before[j - 2] + 2);
    }
    std::swap(before, last);
    std::swap(last, now);
  }
  return last[b.size()];
}

}  // namespace

std::string nearest_name(std::string_view written, const std::vector<std::string>& known) {
  if (written.empty() || written.size() > kLongest) return {};
  std::string best;
  // One edit in a short name, about a third of a longer one.
  const int too_far = 2 * std::max<int>(1, static_cast<int>(written.size() + 1) / 3) + 1;
  int least = too_far;
  for (const std::string& name : known) {
    if (name.empty() || name.size() > kLongest || name == written) continue;
    // A one-letter name replaced by another is no misspelling unless only the case differs.
    const int limit = written.size() == 1 && name.size() == 1 ? 2 : too_far;
    const int d = distance(written, name);
    // Of two as near, the one of the same length: a letter is mistaken more often than lost.
    const bool longer = !best.empty() && d == least && best.size() != written.size() &&
                        name.size() == written.size();
    if (d < limit && (d < least || longer)) {
      least = d;
      best = name;
    }
  }
  return best;
}

}  // namespace tenterhook
