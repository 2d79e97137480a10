#include "host/record/database.h"

#include <fmt/format.h>
#include <sqlite3.h>

#include <cmath>
#include <limits>

namespace tenterhook::record {
namespace {

// How long a second program may hold the store before a write gives up.
constexpr int kBusyTimeoutMs = 5000;

// "file:" addresses need these characters escaped (RFC 3986; sqlite.org/uri.html).
std::string uri_of(const std::string& path, const std::string& options) {
  std::string uri = "file:";
  for (const char c : path) {
    if (c == '?' || c == '#' || c == '%') {
      uri += fmt::format("%{:02X}", static_cast<unsigned>(static_cast<unsigned char>(c)));
    } else {
      uri += c;
    }
  }
  return options.empty() ? uri : uri + "?" + options;
}

}  // namespace

void Statement::Finalize::operator()(sqlite3_stmt* statement) const {
  sqlite3_finalize(statement);
}

Statement& Statement::bind(long long value) {
  const int code = sqlite3_bind_int64(statement_.get(), ++parameter_, value);
  if (code_ == SQLITE_OK) code_ = code;
  return *this;
}

Statement& Statement::bind(double value) {
  const int code = sqlite3_bind_double(statement_.get(), ++parameter_, value);
  if (code_ == SQLITE_OK) code_ = code;
  return *this;
}

Statement& Statement::bind(std::string_view text) {
  // An empty view may have no address, and SQLite would read that as NULL.
  const char* data = text.data() == nullptr ? "" : text.data();
  const int code = sqlite3_bind_text64(statement_.get(), ++parameter_, data, text.size(),
                                       SQLITE_STATIC, SQLITE_UTF8);
  if (code_ == SQLITE_OK) code_ = code;
  return *this;
}

Statement& Statement::bind_null() {
  const int code = sqlite3_bind_null(statement_.get(), ++parameter_);
  if (code_ == SQLITE_OK) code_ = code;
  return *this;
}

void Statement::reset() {
  sqlite3_reset(statement_.get());
  parameter_ = 0;
  column_ = 0;
  code_ = SQLITE_OK;
}

Result<bool> Statement::next() {
  if (code_ == SQLITE_OK) {
    const int code = sqlite3_step(statement_.get());
    if (code == SQLITE_ROW) {
      column_ = 0;
      return true;
    }
    if (code == SQLITE_DONE) {
      reset();
      return false;
    }
    code_ = code;
  }
  const Error error = database_->failure(code_);
  reset();
  return error;
}

Status Statement::run() {
  for (;;) {
    const Result<bool> more = next();
    if (!more.ok()) return more.error();
    if (!*more) return {};
  }
}

long long Statement::integer() {
  return sqlite3_column_int64(statement_.get(), column_++);
}

double Statement::real() {
  if (is_null()) {
    ++column_;
    return std::numeric_limits<double>::quiet_NaN();
  }
  return sqlite3_column_double(statement_.get(), column_++);
}

std::string Statement::text() {
  const auto* data = reinterpret_cast<const char*>(sqlite3_column_text(statement_.get(), column_));
  const int size = sqlite3_column_bytes(statement_.get(), column_++);
  return data == nullptr ? std::string() : std::string(data, static_cast<std::size_t>(size));
}

bool Statement::is_null() const {
  return sqlite3_column_type(statement_.get(), column_) == SQLITE_NULL;
}

Result<std::unique_ptr<Database>> Database::open(const std::string& path, Mode mode,
                                                 const std::string& uri_options) {
  std::unique_ptr<Database> database(new Database());
  database->path_ = path;
  const int flags =
      SQLITE_OPEN_URI |
      (mode == Mode::read ? SQLITE_OPEN_READONLY : SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE);
  const int code =
      sqlite3_open_v2(uri_of(path, uri_options).c_str(), &database->handle_, flags, nullptr);
  if (code != SQLITE_OK) return database->failure(code);
  sqlite3_extended_result_codes(database->handle_, 1);
  sqlite3_busy_timeout(database->handle_, kBusyTimeoutMs);
  // A file from a stranger may bring a schema of its own: what it calls is not trusted, and it cannot be
  // used to damage the file (sqlite.org/security.html, "Untrusted SQLite Database Files").
  sqlite3_db_config(database->handle_, SQLITE_DBCONFIG_DEFENSIVE, 1, nullptr);
  sqlite3_db_config(database->handle_, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, nullptr);
  return database;
}

Database::~Database() {
  sqlite3_close_v2(handle_);
}

Result<Statement> Database::prepare(std::string_view sql) {
  sqlite3_stmt* raw = nullptr;
  const int code =
      sqlite3_prepare_v2(handle_, sql.data(), static_cast<int>(sql.size()), &raw, nullptr);
  Statement statement;
  statement.statement_.reset(raw);
  statement.database_ = this;
  if (code != SQLITE_OK) return failure(code);
  return statement;
}

Status Database::execute(const std::string& sql) {
  const int code = sqlite3_exec(handle_, sql.c_str(), nullptr, nullptr, nullptr);
  if (code != SQLITE_OK) return failure(code);
  return {};
}

Result<long long> Database::scalar(const std::string& sql) {
  Result<Statement> statement = prepare(sql);
  if (!statement.ok()) return statement.error();
  const Result<bool> row = statement->next();
  if (!row.ok()) return row.error();
  if (!*row) return bug_error("no row from: " + sql);
  return statement->integer();
}

long long Database::last_row() const {
  return sqlite3_last_insert_rowid(handle_);
}

Error Database::failure(int code) const {
  const std::string detail = handle_ == nullptr ? sqlite3_errstr(code) : sqlite3_errmsg(handle_);
  switch (code & 0xff) {
    case SQLITE_FULL:
      return fixture_error(path_, "the disk is full: the record could not be written",
                           "free some space; what was recorded before is kept");
    case SQLITE_READONLY:
    case SQLITE_PERM:
      return fixture_error(path_, "the store cannot be written: it or its folder is read-only",
                           "give write permission, or name another with --store FILE");
    case SQLITE_CANTOPEN:
      return fixture_error(path_, "the store cannot be opened",
                           "check that the folder exists and may be read and written");
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return fixture_error(path_,
                           fmt::format("the store has been locked for {} s by another program",
                                       kBusyTimeoutMs / 1000),
                           "let the other program finish, then repeat");
    case SQLITE_PROTOCOL:
      return fixture_error(path_, "the store cannot be locked",
                           "keep it on a local disk: network folders may have no locks");
    case SQLITE_NOMEM:
      return fixture_error(path_, "the record could not be written or read: memory is exhausted",
                           "close other programs, then repeat");
    case SQLITE_NOTADB:
      return input_error(path_, "this file is not a store of Tenterhook: not a database",
                         "name the store with --store FILE");
    case SQLITE_CORRUPT:
      return fixture_error(path_, "the store is damaged: " + detail,
                           "copy the file away first, then recover what is readable with "
                           "sqlite3's .recover");
    case SQLITE_IOERR:
      return fixture_error(path_, "reading or writing the store failed: " + detail,
                           "check the disk and its free space");
    case SQLITE_CONSTRAINT:
      return bug_error(path_ + ": the record contradicts its own rules: " + detail);
    default:
      return bug_error(
          fmt::format("{}: the store refused a request ({}): {}", path_, code, detail));
  }
}

Result<Transaction> Transaction::start(Database& database) {
  const Status begun = database.execute("BEGIN IMMEDIATE");
  if (!begun.ok()) return begun.error();
  return Transaction(&database);
}

Transaction::~Transaction() {
  if (database_ == nullptr) return;
  // A failed commit (full disk) may have rolled back by itself; then this one has nothing to do.
  (void)database_->execute("ROLLBACK").ok();
}

Status Transaction::commit() {
  const Status done = database_->execute("COMMIT");
  if (done.ok()) database_ = nullptr;
  return done;
}

}  // namespace tenterhook::record
