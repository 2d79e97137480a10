// Result<T>: a value, or an Error that says what went wrong, where, and what to do about it.
//
// Every fallible function of the host returns one. Exceptions of libraries are caught in the module
// that wraps the library and converted here once, so that sequencing, abort and partial results
// stay visible in the code that powers a board.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <variant>

namespace tenterhook {

// Whose trouble it is. The four outcomes never mix; exit_code() maps each to the contract's code.
enum class Trouble {
  input,        // a file or an option is wrong                                  exit 2
  interrupted,  // the person stopped it                                         exit 130
  fixture,      // the fixture, a lead, the link or the host's own files failed  exit 3
  bug,          // Tenterhook contradicts itself                                 exit 70
};

struct Error {
  Trouble trouble = Trouble::bug;
  std::string what;    // what happened, with what was expected and what was found
  std::string where;   // "file:line:column", a port, a channel; empty when nowhere in particular
  std::string remedy;  // the likely next action; may be empty

  // "where: what; remedy" on one line, for people.
  std::string text() const;
};

Error input_error(std::string where, std::string what, std::string remedy = {});
Error fixture_error(std::string where, std::string what, std::string remedy = {});
Error bug_error(std::string what);

template <class T>
class [[nodiscard]] Result {
 public:
  Result(T value) : state_(std::in_place_index<0>, std::move(value)) {}
  Result(Error error) : state_(std::in_place_index<1>, std::move(error)) {}

  bool ok() const { return state_.index() == 0; }
  explicit operator bool() const { return ok(); }
  // Precondition: ok(). Throws std::bad_variant_access otherwise, which main reports as a bug.
  T& value() { return std::get<0>(state_); }
  const T& value() const { return std::get<0>(state_); }
  T& operator*() { return value(); }
  const T& operator*() const { return value(); }
  T* operator->() { return &value(); }
  const T* operator->() const { return &value(); }
  // Precondition: !ok().
  const Error& error() const { return std::get<1>(state_); }
  T take() { return std::move(value()); }

 private:
  std::variant<T, Error> state_;
};

template <>
class [[nodiscard]] Result<void> {
 public:
  Result() = default;
  Result(Error error) : error_(std::move(error)) {}
  bool ok() const { return !error_.has_value(); }
  explicit operator bool() const { return ok(); }
  const Error& error() const { return error_.value(); }

 private:
  std::optional<Error> error_;
};

using Status = Result<void>;

// Exit codes of the program (the command contract).
enum ExitCode : int {
  kExitPass = 0,
  kExitFail = 1,
  kExitInput = 2,
  kExitFixture = 3,
  kExitUnsure = 4,
  kExitBug = 70,
  kExitInterrupted = 130,
};
int exit_code(Trouble trouble);

}  // namespace tenterhook

// Returns the error of a failed Result from the enclosing function.
#define TH_TRY(expression)                                 \
  do {                                                     \
    if (auto&& th_try_ = (expression); !th_try_.ok()) {      \
      return th_try_.error();                              \
    }                                                      \
  } while (false)
