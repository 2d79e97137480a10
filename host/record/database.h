// A thin cover of the SQLite C interface, private to host/record: one connection, prepared
// statements with remembered errors, transactions that roll back unless committed.
//
// Every failure becomes one Error that names the store's file, what was tried and what to do
// (full disk, read-only, locked, not a database, damaged). No exceptions.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "host/base/result.h"

struct sqlite3;
struct sqlite3_stmt;

namespace tenterhook::record {

class Database;

// One prepared statement. bind() calls fill the parameters left to right; the first error of a
// chain is kept and returned by the call that runs it. Text bound must live until then.
class Statement {
 public:
  Statement() = default;
  Statement(Statement&&) noexcept = default;
  Statement& operator=(Statement&&) noexcept = default;

  Statement& bind(long long value);
  Statement& bind(int value) { return bind(static_cast<long long>(value)); }
  Statement& bind(long value) { return bind(static_cast<long long>(value)); }
  Statement& bind(double value);  // NaN is stored as NULL
  Statement& bind(std::string_view text);
  Statement& bind_null();

  // Runs to the end, ignoring rows; ready for the next bind().
  Status run();
  // Advances to the next row: true when there is one. At the end it is ready for the next bind().
  Result<bool> next();
  void reset();

  // Columns of the row that next() found; they advance like bind().
  long long integer();
  double real();  // NULL reads as NaN
  std::string text();
  bool is_null() const;  // of the column that would be read next
  void skip() { ++column_; }

 private:
  friend class Database;
  struct Finalize {
    void operator()(sqlite3_stmt* statement) const;
  };
  std::unique_ptr<sqlite3_stmt, Finalize> statement_;
  Database* database_ = nullptr;
  int parameter_ = 0;
  int column_ = 0;
  int code_ = 0;
};

class Database {
 public:
  enum class Mode { create, read };
  // A fresh connection; `uri_options` is appended to a file: address ("immutable=1").
  static Result<std::unique_ptr<Database>> open(const std::string& path, Mode mode,
                                                const std::string& uri_options = {});
  Database(const Database&) = delete;
  Database& operator=(const Database&) = delete;
  ~Database();

  Result<Statement> prepare(std::string_view sql);
  Status execute(const std::string& sql);  // one or several statements without parameters
  Result<long long> scalar(const std::string& sql);
  long long last_row() const;
  const std::string& path() const { return path_; }
  // The last SQLite failure `code` as an Error of this store.
  Error failure(int code) const;

 private:
  Database() = default;
  sqlite3* handle_ = nullptr;
  std::string path_;
};

// BEGIN IMMEDIATE at start(); rolled back by the destructor unless commit() succeeded.
class Transaction {
 public:
  static Result<Transaction> start(Database& database);
  Transaction(Transaction&& other) noexcept : database_(other.database_) {
    other.database_ = nullptr;
  }
  Transaction& operator=(Transaction&&) = delete;
  ~Transaction();
  Status commit();

 private:
  explicit Transaction(Database* database) : database_(database) {}
  Database* database_ = nullptr;
};

}  // namespace tenterhook::record
