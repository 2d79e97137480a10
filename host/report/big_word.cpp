#include "host/report/big_word.h"

#include <array>
#include <map>

namespace tenterhook::report {
namespace {

constexpr int kRows = 6;
constexpr int kLetterPixels = 5;
using Glyph = std::array<const char*, kRows>;

// Drawn for this program on a grid of 5 by 6; strokes hook inwards where they end.
const std::map<char, Glyph>& glyphs() {
  static const std::map<char, Glyph> kGlyphs = {
      {'A', {" ### ", "#   #", "#   #", "#####", "#   #", "#   #"}},
      {'D', {"#### ", "#   #", "#   #", "#   #", "#   #", "#### "}},
      {'E', {"#####", "#    ", "#### ", "#    ", "#    ", "#####"}},
      {'F', {"#####", "#    ", "#### ", "#    ", "#    ", "#    "}},
      {'G', {" ####", "#    ", "#    ", "#  ##", "#   #", " ### "}},
      {'I', {" ### ", "  #  ", "  #  ", "  #  ", "  #  ", " ### "}},
      {'L', {"#    ", "#    ", "#    ", "#    ", "#   #", "#####"}},
      {'N', {"#   #", "##  #", "# # #", "# # #", "#  ##", "#   #"}},
      {'O', {" ### ", "#   #", "#   #", "#   #", "#   #", " ### "}},
      {'P', {"#### ", "#   #", "#   #", "#### ", "#    ", "#    "}},
      {'R', {"#### ", "#   #", "#   #", "#### ", "#  # ", "#   #"}},
      {'S', {" ####", "#    ", " ### ", "    #", "#   #", " ### "}},
      {'T', {"#####", "# # #", "  #  ", "  #  ", "  #  ", " ### "}},
      {'U', {"#   #", "#   #", "#   #", "#   #", "#   #", " ### "}},
  };
  return kGlyphs;
}

std::string repeated(const std::string& text, int times) {
  std::string all;
  for (int i = 0; i < times; ++i) all += text;
  return all;
}

// One row of hooks along the frame, as wide as the word.
std::string hooks(int width, bool top, const Screen& screen) {
  constexpr int kPitch = 4;
  if (!screen.unicode) return std::string(static_cast<std::size_t>(width), top ? '=' : '=');
  std::string row;
  for (int i = 0; i < width; ++i) {
    const bool hook = i % kPitch == kPitch / 2 - 1;
    row += hook ? (top ? "┬" : "┴") : "─";
  }
  return row;
}

}  // namespace

std::string big_word(const std::string& word, Paint paint, const Screen& screen) {
  const int letters = static_cast<int>(word.size());
  const int pixels = letters * (kLetterPixels + 1) - 1;
  const int scale = 2 * pixels + 6 <= screen.width ? 2 : 1;
  const std::string on = repeated(screen.unicode ? "█" : "#", scale);
  const std::string off(static_cast<std::size_t>(scale), ' ');
  const int width = pixels * scale + 4;
  std::string text = " " + screen.paint(Paint::quiet, hooks(width, true, screen)) + "\n";
  for (int row = 0; row < kRows; ++row) {
    std::string line = "   ";
    for (int i = 0; i < letters; ++i) {
      const auto glyph = glyphs().find(word[static_cast<std::size_t>(i)]);
      for (int column = 0; column < kLetterPixels; ++column) {
        const bool lit = glyph != glyphs().end() && glyph->second[row][column] == '#';
        line += lit ? on : off;
      }
      if (i + 1 < letters) line += off;
    }
    while (!line.empty() && line.back() == ' ') line.pop_back();
    text += screen.paint(paint, line) + "\n";
  }
  return text + " " + screen.paint(Paint::quiet, hooks(width, false, screen)) + "\n";
}

}  // namespace tenterhook::report
