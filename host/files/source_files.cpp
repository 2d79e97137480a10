#include "host/files/source_files.h"

#include <filesystem>
#include <map>

#include "host/base/sha256.h"
#include "host/files/yaml_tree.h"

namespace tenterhook::files {

Fetch from_disk() {
  return [](const std::string& path) { return yaml::read_text(path); };
}

Fetch from_record(const std::vector<SourceFile>& sources) {
  std::map<std::string, std::string> texts;
  for (const SourceFile& source : sources) texts.emplace(source.path, source.text);
  return [texts](const std::string& path) -> Result<std::string> {
    const auto found = texts.find(path);
    if (found == texts.end())
      return input_error(path, "is not among the recorded files", "name the file itself");
    return found->second;
  };
}

std::string beside(const std::string& from, const std::string& name) {
  const std::filesystem::path path(name);
  if (path.is_absolute()) return path.lexically_normal().string();
  return (std::filesystem::path(from).parent_path() / path).lexically_normal().string();
}

SourceFile source_file(const std::string& path, const std::string& text) {
  return {path, text, sha256(text)};
}

}  // namespace tenterhook::files
