// A store of its own for each test, in a folder that goes with it.
#pragma once

#include <gtest/gtest.h>
#include <sqlite3.h>
#include <stdlib.h>

#include <filesystem>
#include <stdexcept>
#include <string>

#include "host/record/store.h"

namespace tenterhook::record {

namespace fs = std::filesystem;

class StoreTest : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (fs::temp_directory_path() / "tenterhook-store-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    folder_ = pattern;
    path_ = (folder_ / "history.db").string();
  }
  void TearDown() override {
    fs::permissions(folder_, fs::perms::owner_all);
    fs::remove_all(folder_);
  }
  Store open(Store::Mode mode = Store::Mode::write) {
    Result<Store> store = Store::open(path_, mode);
    if (!store.ok()) throw std::runtime_error(store.error().text());
    return store.take();
  }
  static long record(Store& store, RunRecord run) {
    run.number = 0;
    EXPECT_TRUE(store.begin(run).ok());
    for (const StepRecord& step : run.steps) EXPECT_TRUE(store.add_step(run.number, step).ok());
    const Status finished = store.finish(run);
    EXPECT_TRUE(finished.ok()) << (finished.ok() ? "" : finished.error().text());
    return run.number;
  }
  // One statement through plain SQLite, as a person's own tool would send it: "" when it worked.
  std::string raw(const std::string& sql, std::string* answer = nullptr) const {
    sqlite3* database = nullptr;
    sqlite3_open(path_.c_str(), &database);
    char* message = nullptr;
    sqlite3_exec(
        database, sql.c_str(),
        [](void* out, int n, char** values, char**) {
          if (out != nullptr && n > 0 && values[0] != nullptr) {
            *static_cast<std::string*>(out) = values[0];
          }
          return 0;
        },
        answer, &message);
    const std::string error = message == nullptr ? "" : message;
    sqlite3_free(message);
    sqlite3_close(database);
    return error;
  }

  fs::path folder_;
  std::string path_;
};

}  // namespace tenterhook::record
