#include "host/commands/review.h"

#include <fmt/format.h>
#include <sys/ioctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <vector>

#include "host/commands/output.h"
#include "host/files/reader.h"

namespace tenterhook::commands {

Result<record::Store> open_store_to_read(const std::string& option) {
  std::string path = option;
  if (path.empty()) {
    const Result<std::string> standard = record::default_store_path();
    if (!standard.ok()) return standard.error();
    path = *standard;
  }
  return record::Store::open(path, record::Store::Mode::read);
}

Result<record::RunRecord> load_run(const std::string& store_option, const std::string& run) {
  const Result<record::Store> store = open_store_to_read(store_option);
  if (!store.ok()) return store.error();
  return store->load(run);
}

Result<std::string> board_name(const std::string& board) {
  const bool file = board.size() > 5 && board.rfind(".yaml") == board.size() - 5;
  if (!file) return board;
  const Result<files::Board> read = files::read_board(board);
  if (!read.ok()) return read.error();
  return read->name;
}

Result<std::string> chosen_serial(const record::Store& store, const std::string& board, const std::string& given) {
  if (!given.empty()) return given;
  const auto boards = store.boards();
  if (!boards.ok()) return boards.error();
  std::vector<std::string> serials;
  for (const record::RunSummary& run : *boards) {
    if (run.board == board) serials.push_back(run.board_serial);
  }
  if (serials.size() > 1) {
    std::replace(serials.begin(), serials.end(), std::string(), std::string("none"));
    return input_error(board, fmt::format("is recorded with several serials: {}", fmt::join(serials, ", ")),
                       "say which board with --serial");
  }
  return serials.empty() ? std::string() : serials.front();
}

report::Screen people_screen(const std::string& json_option) {
  return report::screen_of(json_option == "-" ? stderr_descriptor() : stdout_descriptor());
}

Status write_paged(const std::string& text) {
  const auto lines = std::count(text.begin(), text.end(), '\n');
  winsize window{};
  const bool known = isatty(stdout_descriptor()) != 0 && ioctl(stdout_descriptor(), TIOCGWINSZ, &window) == 0;
  const char* pager = std::getenv("PAGER");
  const std::string command = pager == nullptr ? "less" : pager;
  if (!known || window.ws_row == 0 || lines < window.ws_row || command.empty() || command == "cat") return write_text("-", text);
  setenv("LESS", "FRX", 0);  // colours as they are, and no clearing; the person's own setting goes before
  std::fflush(stdout);
  std::FILE* pipe = popen(command.c_str(), "w");
  if (pipe == nullptr) return write_text("-", text);
  // Who leaves the pager early has seen enough: that is no error.
  void (*const before)(int) = std::signal(SIGPIPE, SIG_IGN);
  (void)std::fwrite(text.data(), 1, text.size(), pipe);
  const int status = pclose(pipe);
  std::signal(SIGPIPE, before);
  constexpr int kNotFound = 127;
  return WIFEXITED(status) && WEXITSTATUS(status) == kNotFound ? write_text("-", text) : Status{};
}

int answer(const std::string& json_option, const std::string& json,
           const std::function<std::string()>& text) {
  if (!json_option.empty()) {
    const Status written = write_text(json_option, json + "\n");
    if (!written.ok()) return tell(written.error());
  }
  if (json_option != "-") {
    const Status written = write_paged(text());
    if (!written.ok()) return tell(written.error());
  }
  return kExitPass;
}

}  // namespace tenterhook::commands
