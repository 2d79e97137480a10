// The command line described by itself: the man page and the shell completions, made of the same definitions that
// parse it. host/main.cpp hands over what its parser holds.
#pragma once

#include <string>
#include <vector>

namespace tenterhook::commands {

struct OptionHelp {
  std::vector<std::string> names;    // "--json", "-h"; of a positional its name, "RUN"
  std::string about;
  bool positional = false;
  bool required = false;
  bool takes_value = false;
  std::vector<std::string> choices;  // the only values, where they are few
};

struct CommandHelp {
  std::string name;  // "run", "fixture list"
  std::string about;
  std::vector<OptionHelp> options;
};

struct ProgramHelp {
  std::string version, about;
  std::vector<CommandHelp> commands;
};

// man(7) macros, section 1.
std::string man_page(const ProgramHelp& program);
// For bash-completion: commands, options, their choices; files where a value may be one.
std::string bash_completion(const ProgramHelp& program);
std::string zsh_completion(const ProgramHelp& program);

}  // namespace tenterhook::commands
