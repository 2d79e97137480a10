#include "host/commands/output.h"

#include <fmt/format.h>

#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <utility>

#include "host/report/exports.h"
#include "host/report/json.h"

namespace tenterhook::commands {

int tell(const Error& error) {
  fmt::print(stderr, "tenterhook: {}\n", error.text());
  return exit_code(error.trouble);
}

Status write_text(const std::string& path, const std::string& text) {
  if (path == "-") {
    const bool whole = std::fwrite(text.data(), 1, text.size(), stdout) == text.size() && std::fflush(stdout) == 0;
    if (!whole) return fixture_error("standard output", std::strerror(errno));
    return {};
  }
  const std::string part = path + ".part";
  std::ofstream file(part, std::ios::binary | std::ios::trunc);
  file << text;
  file.close();
  if (!file || std::rename(part.c_str(), path.c_str()) != 0) {
    const std::string why = std::strerror(errno);
    std::remove(part.c_str());
    return fixture_error(path, "cannot be written: " + why);
  }
  return {};
}

int write_exports(const std::string& junit, const std::string& tap, const std::string& csv,
                  const record::RunRecord& run) {
  const std::pair<const std::string*, std::string (*)(const record::RunRecord&)> exports[] = {
      {&junit, report::junit_xml}, {&tap, report::tap}, {&csv, report::csv}};
  for (const auto& [path, text_of] : exports) {
    if (path->empty()) continue;
    auto written = write_text(*path, text_of(run));
    if (!written) return tell(written.error());
  }
  return 0;
}

int write_outputs(const RunOptions& options, const record::RunRecord& run) {
  if (!options.bench.json.empty()) {
    auto written = write_text(options.bench.json, report::run_json(run) + "\n");
    if (!written) return tell(written.error());
  }
  return write_exports(options.junit, options.tap, options.csv, run);
}

Result<record::Store> open_store(const std::string& option) {
  std::string path = option;
  if (path.empty()) {
    auto standard = record::default_store_path();
    TH_TRY(standard);
    path = *standard;
  }
  return record::Store::open(path);
}

std::string relative_to(const std::string& file, const std::string& board) {
  std::error_code error;
  const auto folder = std::filesystem::absolute(file.empty() ? "x" : file, error).parent_path();
  const auto path = std::filesystem::absolute(board, error)
                        .lexically_normal()
                        .lexically_relative(folder.lexically_normal());
  return error || path.empty() ? board : path.string();
}

}  // namespace tenterhook::commands
