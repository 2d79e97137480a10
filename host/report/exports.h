// A run in the forms that other programs read. Pure text; writes nothing.
#pragma once

#include <string>

#include "host/record/run.h"

namespace tenterhook::report {

// JUnit XML as the published schema has it (windyroad/JUnit-Schema, JUnit.xsd): a test case a
// step. A failed step is a failure; an unsure one, and a run that was stopped or cut short, are
// errors, so that neither is ever counted as passed.
std::string junit_xml(const record::RunRecord& run);

// TAP by the grammar of version 14 (TestAnything/Specification, tap-version-14-specification.md):
// a test point a step, with a YAML block for what failed. Unsure is "not ok"; a stopped run bails
// out. The first line says version 13, which that specification lets a version-14 harness take as
// its own: the `prove` of Debian 12 refuses a stream that says 14.
std::string tap(const record::RunRecord& run);

// RFC 4180, with a header line: one row a reading (one with empty fields for a step without).
// Numbers are written so that they read back to the same double.
std::string csv(const record::RunRecord& run);

}  // namespace tenterhook::report
