// Where the text of a description comes from: the disk, or the record of a run. Internal to
// host/files.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/board.h"

namespace tenterhook::files {

using Fetch = std::function<Result<std::string>(const std::string& path)>;

Fetch from_disk();
// Looks paths up among recorded files.
Fetch from_record(const std::vector<SourceFile>& sources);

// `name` as written in the file `from`, relative to that file's folder.
std::string beside(const std::string& from, const std::string& name);

SourceFile source_file(const std::string& path, const std::string& text);

}  // namespace tenterhook::files
