#include "host/report/markup.h"

#include <cstddef>

namespace tenterhook::report {

// XML 1.0: besides markup, most control characters may not stand in a document at all. Bytes that
// are no UTF-8 are replaced likewise.
std::string escaped(const std::string& text) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const auto c = static_cast<unsigned char>(text[i]);
    if (c == '&')
      out += "&amp;";
    else if (c == '<')
      out += "&lt;";
    else if (c == '>')
      out += "&gt;";
    else if (c == '"')
      out += "&quot;";
    else if (c < 0x20)
      out += c == '\n' ? "&#10;" : c == '\t' ? "&#9;" : " ";
    else if (c < 0x80)
      out += text[i];
    else {
      const std::size_t length = c >= 0xf0 && c < 0xf5 ? 4 : c >= 0xe0 ? 3 : c >= 0xc2 ? 2 : 0;
      bool whole = length > 0 && c < 0xf5 && i + length <= text.size();
      for (std::size_t k = 1; whole && k < length; ++k) {
        whole = (static_cast<unsigned char>(text[i + k]) & 0xc0) == 0x80;
      }
      if (whole) {
        out += text.substr(i, length);
        i += length - 1;
      } else {
        out += "\xef\xbf\xbd";
      }
    }
  }
  return out;
}

}  // namespace tenterhook::report
