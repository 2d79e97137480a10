// SHA-256 of a text, for the identity of files in the record. Source: FIPS 180-4, section 6.2.
#pragma once

#include <string>
#include <string_view>

namespace tenterhook {

// 64 lower-case hexadecimal digits. Cannot fail.
std::string sha256(std::string_view bytes);

}  // namespace tenterhook
