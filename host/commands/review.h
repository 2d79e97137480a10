// What the reading commands share: the store opened for reading, and an answer for people or for
// programs.
#pragma once

#include <functional>
#include <string>

#include "host/base/result.h"
#include "host/record/store.h"
#include "host/report/screen.h"

namespace tenterhook::commands {

// --store, or the default place; never made, never written.
Result<record::Store> open_store_to_read(const std::string& option);
Result<record::RunRecord> load_run(const std::string& store_option, const std::string& run);

// BOARD as history and trend take it: a recorded name, or a board file that holds the name.
Result<std::string> board_name(const std::string& board);

// The serial meant: the given one, or the only one that the board is recorded with. Trouble::input when there are
// several: they are several boards.
Result<std::string> chosen_serial(const record::Store& store, const std::string& board, const std::string& given);

// The screen people read: standard output, or standard error when the machine's text goes there.
report::Screen people_screen(const std::string& json_option);

// Text for people, through $PAGER (less) when it is longer than the terminal; as it is anywhere else.
Status write_paged(const std::string& text);

// Writes `json` where --json says; people's text goes to standard output unless that carries the
// JSON ("-"), and then it is left out. Returns the exit code: 0 when it answered.
int answer(const std::string& json_option, const std::string& json,
           const std::function<std::string()>& text);

}  // namespace tenterhook::commands
