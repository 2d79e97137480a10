#include "host/commands/manual.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>

namespace tenterhook::commands {
namespace {

// Text for a man page: backslashes and hyphens as they stand, and no line that begins a request.
std::string roff(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '\\')
      out += "\\e";
    else if (c == '-')
      out += "\\-";
    else
      out += c == '\n' ? ' ' : c;
  }
  if (!out.empty() && (out[0] == '.' || out[0] == '\'')) out.insert(0, "\\&");
  return out;
}

std::string value_of(const OptionHelp& option) {
  if (!option.takes_value) return "";
  return option.choices.empty() ? "VALUE" : fmt::format("{}", fmt::join(option.choices, "|"));
}

std::string synopsis(const CommandHelp& command) {
  std::string text = ".B tenterhook " + roff(command.name) + "\n";
  for (const OptionHelp& option : command.options) {
    if (!option.positional) continue;
    const std::string name = "\\fI" + roff(option.names.front()) + "\\fR";
    text += option.required ? name + "\n" : "[" + name + "]\n";
  }
  return text + "[\\fIoptions\\fR]\n";
}

std::string command_page(const CommandHelp& command) {
  std::string text = ".SS \"" + roff(command.name) + "\"\n" + synopsis(command) + ".PP\n" + roff(command.about) + ".\n";
  for (const OptionHelp& option : command.options) {
    if (option.names.back() == "--help") continue;  // of every command, and said once
    text += ".TP\n";
    std::string names;
    for (const std::string& name : option.names) {
      names += (names.empty() ? "" : ", ") + (option.positional ? "\\fI" + roff(name) + "\\fR" : "\\fB" + roff(name) + "\\fR");
    }
    const std::string value = value_of(option);
    text += names + (value.empty() ? "" : " \\fI" + roff(value) + "\\fR") + "\n" + roff(option.about) + "\n";
  }
  return text;
}

// What a shell may not see bare inside single quotes.
std::string quoted(const std::string& text) {
  std::string out = "'";
  for (const char c : text) out += c == '\'' ? std::string("'\\''") : std::string(1, c);
  return out + "'";
}

std::string first_word(const std::string& name) {
  return name.substr(0, name.find(' '));
}

std::string options_of(const CommandHelp& command) {
  std::string text;
  for (const OptionHelp& option : command.options) {
    if (option.positional) continue;
    for (const std::string& name : option.names) text += (text.empty() ? "" : " ") + name;
  }
  return text;
}

}  // namespace

std::string man_page(const ProgramHelp& program) {
  std::string text = ".TH TENTERHOOK 1 \"\" \"Tenterhook " + roff(program.version) + "\" \"User commands\"\n.SH NAME\ntenterhook \\- " + roff(program.about) +
                     "\n.SH SYNOPSIS\n.B tenterhook\n\\fIcommand\\fR [\\fIoptions\\fR]\n.SH DESCRIPTION\n"
                     "Drives a hand-made logic board through its vectors, judges every output by its window with its uncertainty, and keeps a record of all of it.\n"
                     "A board, its vectors and the fixture are described in YAML files; their JSON Schemas are installed for editors.\n\\fBtenterhook \\fIcommand\\fB \\-\\-help\\fR lists a command's options; \\fB\\-\\-store\\fR may stand before the command too.\n.SH COMMANDS\n";
  for (const CommandHelp& command : program.commands) text += command_page(command);
  text += ".SH EXIT STATUS\nThe first that applies:\n";
  for (const auto& [code, meaning] : std::initializer_list<std::pair<const char*, const char*>>{
           {"70", "a bug in Tenterhook"},
           {"2", "bad input: a file or an option"},
           {"130", "stopped by the person"},
           {"3", "the fixture, a lead or the link failed, or a safety trip"},
           {"1", "the board failed"},
           {"4", "unsure: nothing failed, something could not be decided"},
           {"0", "pass; a reading command answered"}}) {
    text += fmt::format(".TP\n.B {}\n{}.\n", code, meaning);
  }
  text += ".SH ENVIRONMENT\n.TP\n.B XDG_DATA_HOME\nThe record lies below it, in tenterhook/history.db (default: ~/.local/share), and so do calibrations.\n"
          ".TP\n.B XDG_CONFIG_HOME\nDescriptions of fixtures by their serial.\n.TP\n.B NO_COLOR\nNo colours, whatever it holds.\n"
          ".TP\n.B PAGER\nShows long lists on a terminal; none when empty or \\fBcat\\fR.\n.TP\n.B TENTERHOOK_STORE\nThe record's file where \\fB\\-\\-store\\fR names none.\n"
          ".SH NOTES\nThe fixture is not a safety device. Above 60 V DC, or mains, it refuses. Local codes and licensed practice rule.\n";
  return text;
}

std::string bash_completion(const ProgramHelp& program) {
  std::vector<std::string> firsts;
  std::map<std::string, std::vector<std::string>> seconds;
  for (const CommandHelp& command : program.commands) {
    const std::string first = first_word(command.name);
    if (std::find(firsts.begin(), firsts.end(), first) == firsts.end()) firsts.push_back(first);
    if (first.size() < command.name.size()) seconds[first].push_back(command.name.substr(first.size() + 1));
  }
  std::string text = "# bash completion for tenterhook, written by tenterhook --manual bash\n_tenterhook() {\n"
                     "  local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} command=${COMP_WORDS[1]} words=\n  COMPREPLY=()\n"
                     "  if [ \"$COMP_CWORD\" -eq 1 ]; then\n    COMPREPLY=($(compgen -W \"" + fmt::format("{}", fmt::join(firsts, " ")) + " --help --version\" -- \"$cur\"))\n    return\n  fi\n";
  for (const auto& [first, names] : seconds) {
    text += fmt::format("  if [ \"$command\" = {0} ]; then\n    if [ \"$COMP_CWORD\" -eq 2 ]; then\n      COMPREPLY=($(compgen -W \"{1}\" -- \"$cur\"))\n      return\n    fi\n"
                        "    command=\"{0} ${{COMP_WORDS[2]}}\"\n  fi\n", first, fmt::join(names, " "));
  }
  text += "  case \"$command $prev\" in\n";
  for (const CommandHelp& command : program.commands) {
    for (const OptionHelp& option : command.options) {
      if (option.positional || !option.takes_value) continue;
      for (const std::string& name : option.names) {
        text += "    " + quoted(command.name + " " + name) + ") COMPREPLY=($(compgen ";
        text += option.choices.empty() ? std::string("-f") : "-W " + quoted(fmt::format("{}", fmt::join(option.choices, " ")));
        text += " -- \"$cur\")); return ;;\n";
      }
    }
  }
  text += "  esac\n  case \"$command\" in\n";
  for (const CommandHelp& command : program.commands) {
    text += "    " + quoted(command.name) + ") words=" + quoted(options_of(command)) + " ;;\n";
  }
  return text + "  esac\n  case \"$cur\" in\n    -*) COMPREPLY=($(compgen -W \"$words\" -- \"$cur\")) ;;\n    *) COMPREPLY=($(compgen -f -- \"$cur\")) ;;\n  esac\n}\n"
                "complete -o filenames -F _tenterhook tenterhook\n";
}

std::string zsh_completion(const ProgramHelp& program) {
  std::string text = "#compdef tenterhook\n# written by tenterhook --manual zsh\n_tenterhook() {\n  local -a commands options\n  commands=(\n";
  std::vector<std::string> seen;
  for (const CommandHelp& command : program.commands) {
    const std::string first = first_word(command.name);
    if (std::find(seen.begin(), seen.end(), first) != seen.end()) continue;
    seen.push_back(first);
    text += "    " + quoted(first + ":" + (first == command.name ? command.about : "the fixture itself")) + "\n";
  }
  text += "  )\n  if (( CURRENT == 2 )); then\n    _describe command commands\n    return\n  fi\n  case \"$words[2]\" in\n";
  std::map<std::string, std::string> options;
  for (const CommandHelp& command : program.commands) {
    std::string& all = options[first_word(command.name)];
    if (first_word(command.name).size() < command.name.size()) all += " " + quoted(command.name.substr(first_word(command.name).size() + 1) + ":" + command.about);
    for (const OptionHelp& option : command.options) {
      if (!option.positional) all += " " + quoted(option.names.front() + ":" + option.about);
    }
  }
  for (const auto& [first, list] : options) text += "    " + first + ") options=(" + list + " ) ;;\n";
  return text + "  esac\n  if [[ \"$words[CURRENT]\" == -* || \"$words[2]\" == fixture && CURRENT -eq 3 ]]; then\n    _describe option options\n  else\n    _files\n  fi\n}\n_tenterhook \"$@\"\n";
}

}  // namespace tenterhook::commands
