// Escaping and small pieces of HTML and SVG, private to host/report.
#pragma once

#include <string>

namespace tenterhook::report {

// Text made safe for element content and double-quoted attributes of XML and HTML: markup is
// escaped, control characters become blanks, bytes that are no UTF-8 the replacement character.
std::string escaped(const std::string& text);

}  // namespace tenterhook::report
