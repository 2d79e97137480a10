// What a Store holds; shared by its source files, private to host/record.
#pragma once

#include <map>
#include <memory>
#include <string>
#include <unordered_map>
#include <utility>

#include "host/record/database.h"
#include "host/record/store.h"

namespace tenterhook::record {

struct Store::State {
  std::unique_ptr<Database> database;
  Mode mode = Mode::write;
  // Hot statements, prepared at the first use. Declared after the database: finalized before it.
  Statement insert_step, insert_reading, insert_word, find_word, insert_window, find_window;
  bool prepared = false;
  // Caches of what is committed; cleared when a transaction is given up.
  std::unordered_map<std::string, long long> words;
  std::map<std::pair<double, double>, long long> windows;
  long current_run = 0;  // the run whose next position is known
  int next_position = 0;

  Status prepare();
  Result<long long> word(const std::string& text);
  Result<long long> window(const files::Window& window);
};

// "F3=1 F2=0": assignments as one readable text. Blanks, '=' and '%' in names become %XX.
std::string join_sets(const std::vector<std::pair<std::string, files::Bit>>& sets);
std::string join_pulses(const std::vector<std::pair<std::string, int>>& pulses);
std::vector<std::pair<std::string, files::Bit>> split_sets(const std::string& text);
std::vector<std::pair<std::string, int>> split_pulses(const std::string& text);

// "[0.1,2.5]": numbers that read back exactly; also valid JSON but for nan and inf.
std::string join_numbers(const std::vector<double>& numbers);
std::vector<double> split_numbers(const std::string& text);

}  // namespace tenterhook::record
