#include "host/base/result.h"

namespace tenterhook {

std::string Error::text() const {
  std::string line;
  if (!where.empty()) line += where + ": ";
  line += what;
  if (!remedy.empty()) line += "; " + remedy;
  return line;
}

Error input_error(std::string where, std::string what, std::string remedy) {
  return {Trouble::input, std::move(what), std::move(where), std::move(remedy)};
}

Error fixture_error(std::string where, std::string what, std::string remedy) {
  return {Trouble::fixture, std::move(what), std::move(where), std::move(remedy)};
}

Error bug_error(std::string what) {
  return {Trouble::bug, std::move(what), {}, "this is a defect in Tenterhook; please report it"};
}

int exit_code(Trouble trouble) {
  switch (trouble) {
    case Trouble::input: return kExitInput;
    case Trouble::interrupted: return kExitInterrupted;
    case Trouble::fixture: return kExitFixture;
    case Trouble::bug: return kExitBug;
  }
  return kExitBug;
}

}  // namespace tenterhook
