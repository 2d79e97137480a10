// One run as one self-contained page.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "host/record/lives.h"
#include "host/record/run.h"

namespace tenterhook::report {

// What the run's record does not hold itself.
struct PageExtras {
  std::string diagnosis_json;                            // as `diagnose --json` writes it; may be empty
  std::map<std::string, files::LevelWindows> predicted;  // line -> what good parts show
  std::vector<record::Photo> photos;
};

// Neither network nor script is needed to read it; well-formed as XML too, so that every tool can check it.
std::string html_page(const record::RunRecord& run, const PageExtras& extras = {});

}  // namespace tenterhook::report
