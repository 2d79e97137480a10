#include "host/record/uid.h"

#include <chrono>
#include <ctime>
#include <random>

namespace tenterhook::record {
namespace {

// No I, L, O, U: they are misread.
constexpr char kDigits[] = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
constexpr int kTimeDigits = 10;
constexpr int kRandomDigits = 16;

}  // namespace

std::string make_uid(std::uint64_t time_ms, std::uint64_t random_high16,
                     std::uint64_t random_low64) {
  std::string uid(kTimeDigits + kRandomDigits, '0');
  for (int i = kTimeDigits - 1; i >= 0; --i, time_ms >>= 5) uid[i] = kDigits[time_ms & 31];
  std::uint64_t high = random_high16 & 0xffff;
  std::uint64_t low = random_low64;
  for (int i = kTimeDigits + kRandomDigits - 1; i >= kTimeDigits; --i) {
    uid[i] = kDigits[low & 31];
    low = (low >> 5) | (high << 59);
    high >>= 5;
  }
  return uid;
}

std::string make_uid() {
  std::random_device device;
  const auto word = [&device] {
    return (static_cast<std::uint64_t>(device()) << 32) | static_cast<std::uint64_t>(device());
  };
  const auto now = std::chrono::system_clock::now().time_since_epoch();
  const auto ms = std::chrono::duration_cast<std::chrono::milliseconds>(now).count();
  return make_uid(static_cast<std::uint64_t>(ms), word(), word());
}

std::string now_utc() {
  const std::time_t now = std::time(nullptr);
  std::tm parts{};
  gmtime_r(&now, &parts);
  char text[32];
  std::strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%SZ", &parts);
  return text;
}

}  // namespace tenterhook::record
