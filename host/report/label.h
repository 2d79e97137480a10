// A small printable label for a tested board: board, serial, verdict, date, least margin, run number, and a QR code
// that any scanner types back as RUN: "17.01KAXY0V6G3W5Z8T2QF4N7M9RC" (number in its store, then the uid).
//
// 62 by 29 mm. The SVG is in millimetres; the PDF (ISO 32000-1) is one page of that size and uses the standard fonts
// that every reader has, so characters beyond Latin-1 become '?'. Code: ISO/IEC 18004 by libqrencode, level M.
#pragma once

#include <string>

#include "host/base/result.h"
#include "host/record/run.h"

namespace tenterhook::report {

// What the code says; Store::find() understands it in every store that holds the run.
std::string label_code(const record::RunRecord& run);

// Trouble::input for a run without an end or without a uid: it has no verdict to print.
Result<std::string> label_svg(const record::RunRecord& run);
Result<std::string> label_pdf(const record::RunRecord& run);

}  // namespace tenterhook::report
