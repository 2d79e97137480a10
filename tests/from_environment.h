// The size of a study that has a small form for every day: a count given by an environment variable.
#pragma once

#include <cstdlib>

namespace tenterhook::test {

inline unsigned long count_from_environment(const char* variable, unsigned long usual) {
  const char* given = std::getenv(variable);
  const unsigned long count = given ? std::strtoul(given, nullptr, 10) : 0;
  return count > 0 ? count : usual;
}

}  // namespace tenterhook::test
