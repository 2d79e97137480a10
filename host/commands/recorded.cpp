#include "host/commands/recorded.h"

#include <fmt/format.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>

#include "host/commands/output.h"
#include "host/files/reader.h"

namespace tenterhook::commands {

namespace fs = std::filesystem;

namespace {

// A folder that goes with its owner.
struct TemporaryFolder {
  fs::path path;
  ~TemporaryFolder() {
    std::error_code ignored;
    if (!path.empty()) fs::remove_all(path, ignored);
  }
};

Result<fs::path> make_folder() {
  std::string pattern = (fs::temp_directory_path() / "tenterhook-XXXXXX").string();
  if (!mkdtemp(pattern.data())) return fixture_error(pattern, "no temporary folder can be made");
  return fs::path(pattern);
}

// The deepest folder that holds every source: below it the files keep their places to each other.
fs::path common_folder(const record::RunRecord& run) {
  fs::path common;
  for (const files::SourceFile& source : run.sources) {
    const fs::path folder = fs::path(source.path).lexically_normal().parent_path();
    if (common.empty()) {
      common = folder;
      continue;
    }
    while (!common.empty() && folder.lexically_relative(common).string().rfind("..", 0) == 0) common = common.parent_path();
  }
  return common;
}

}  // namespace

Result<files::Vectors> vectors_of(const record::RunRecord& run) {
  if (run.sources.empty()) return input_error(fmt::format("run {}", run.number), "the record holds no files of it");
  auto made = make_folder();
  TH_TRY(made);
  TemporaryFolder folder{*made};
  const fs::path common = common_folder(run);
  fs::path first;
  for (const files::SourceFile& source : run.sources) {
    const fs::path name = fs::path(source.path).lexically_normal().lexically_relative(common);
    // A stranger's store must not write outside the folder.
    if (name.empty() || name.is_absolute() || name.string().rfind("..", 0) == 0) continue;
    const fs::path place = folder.path / name;
    std::error_code failed;
    fs::create_directories(place.parent_path(), failed);
    std::ofstream(place, std::ios::binary) << source.text;
    if (first.empty()) first = place;
  }
  return files::read_vectors(first.string());
}

Result<ToHold> vectors_to_hold(const std::string& what, const std::string& store) {
  const auto colon = what.rfind(':');
  const bool is_run = colon != std::string::npos && colon + 1 < what.size() &&
                      what.find_first_not_of("0123456789", colon + 1) == std::string::npos;
  ToHold result;
  if (!is_run) {
    auto vectors = files::read_vectors(what);
    TH_TRY(vectors);
    result.vectors = vectors.take();
    return result;
  }
  auto opened = open_store(store);
  TH_TRY(opened);
  auto run = opened->load(what.substr(0, colon));
  TH_TRY(run);
  auto vectors = vectors_of(*run);
  TH_TRY(vectors);
  result.vectors = vectors.take();
  result.step = std::atoi(what.c_str() + colon + 1);
  if (result.step >= static_cast<int>(result.vectors.steps.size())) {
    return input_error(what, fmt::format("run {} has steps 0 to {}", run->number, result.vectors.steps.size() - 1));
  }
  return result;
}

}  // namespace tenterhook::commands
