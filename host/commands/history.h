// tenterhook history: which runs are recorded, newest first.
#pragma once

#include <string>

namespace tenterhook::commands {

struct HistoryOptions {
  std::string store;          // "" = the default place
  std::string json;           // "" = none, "-" = standard output
  std::string board, serial;  // "" = any; a board file stands for its name
  std::string since, before;  // "2026-11-25", "2026-11", or with a time: since <= started < before
  std::string verdict;        // pass, fail, unsure; "" = any
  int limit = 20;             // runs a page
  int page = 1;               // from 1
};
int history(const HistoryOptions& options);

}  // namespace tenterhook::commands
