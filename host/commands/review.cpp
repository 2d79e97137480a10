#include "host/commands/review.h"

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

report::Screen people_screen(const std::string& json_option) {
  return report::screen_of(json_option == "-" ? stderr_descriptor() : stdout_descriptor());
}

int answer(const std::string& json_option, const std::string& json,
           const std::function<std::string()>& text) {
  if (!json_option.empty()) {
    const Status written = write_text(json_option, json + "\n");
    if (!written.ok()) return tell(written.error());
  }
  if (json_option != "-") {
    const Status written = write_text("-", text());
    if (!written.ok()) return tell(written.error());
  }
  return kExitPass;
}

}  // namespace tenterhook::commands
