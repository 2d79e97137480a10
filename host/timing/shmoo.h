// A plot of pass and fail over two stimuli: where does it still work, and with what room?
//
// In: two axes with their values in ascending order, and one tally a cell. Out: text for a terminal, CSV, SVG.
// Pass, fail and unsure differ in shape as well as in colour. A failing region that passing cells enclose is
// a hole and is outlined.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/timing/search.h"

namespace tenterhook::timing {

inline constexpr int kAxisPointsMost = 200;

struct Axis {
  std::string name;            // as the option says it: "period", "width", "offset", "settle", "rail"
  std::string unit = "s";      // "s" or "V"
  std::vector<double> values;  // ascending, in `unit`
  std::optional<double> limit; // of the board file: drawn
};

enum class Cell { none, pass, fail, unsure };  // unsure: it did both, or could not be judged
Cell cell_of(const Tally& tally);

struct Shmoo {
  std::string title;
  Axis x, y;
  std::vector<Tally> tallies;  // row by row, y ascending; trials() of 0: not tried
  const Tally& at(int column, int row) const { return tallies[static_cast<std::size_t>(row) * x.values.size() + static_cast<std::size_t>(column)]; }
};

// Tries every cell; `told` hears how many are done. Errors: the trial's; Trouble::input for an empty axis or one of more
// than kAxisPointsMost values.
using CellTrial = std::function<Result<Tally>(double x, double y)>;
Result<Shmoo> shmoo(const std::string& title, const Axis& x, const Axis& y, const CellTrial& trial,
                    const std::function<void(int done, int total)>& told = {});

// Cells that fail, enclosed by cells that do not: by region, as (column, row).
struct Place {
  int column = 0, row = 0;
  friend auto operator<=>(const Place&, const Place&) = default;
};
std::vector<std::vector<Place>> holes_of(const Shmoo& shmoo);

// Lines end in '\n'. `unicode`: else ASCII; `colour`: ANSI.
std::string text(const Shmoo& shmoo, bool unicode, bool colour);
// "period_s,width_s,passes,fails,unsure" and a row a cell.
std::string csv(const Shmoo& shmoo);
std::string svg(const Shmoo& shmoo);

}  // namespace tenterhook::timing
