#include "host/files/ready_families.h"

#include <array>

namespace tenterhook::files {
namespace {

struct Row {
  const char* name;
  const char* standard;
  // What the fixture gives an input. The exact volts inside the needed window are common practice.
  double drive_low, drive_high;
  double needs_low_min, needs_low_max, needs_high_min, needs_high_max;
  // NaN-free: a family without output levels repeats `needs`, see gives_known.
  bool gives_known;
  double gives_low_min, gives_low_max, gives_high_min, gives_high_max;
  bool one_is_low;
};

// Where a standard names only the inner edge of a window, the outer edge is half a volt beyond the
// supply: common practice for what a protected input survives, no source.
//
// TTL: VIL 0.8, VIH 2.0, VOL 0.4, VOH 2.4 V (worked example of the SN7400 data sheet).
// LVTTL: the same levels at 3.3 V (JESD8C.01).
// 4000B: JEDEC 13-B; VIL and VIH 1.5/3.5, 3/7, 4/11 V at 5, 10, 15 V, as in the CD4001BC data
// sheet.
//   `gives` is the output deviation the same table allows while its input is at VIL or VIH
//   (0.5/4.5, 1/9, 1.5/13.5 V), so margins come out as the 1.0, 2.0 and 2.5 V that makers
//   guarantee, not the 1.45, 2.95 and 3.95 V of open outputs (0.05 V from the rails).
// IEC 61131-2: type 1 reads 0 at -3 to 5 V and 1 at 15 to 30 V; types 2 and 3 read 1 from 11 V.
// V.28: a receiver reads 0 at +3 to +25 V and 1 at -3 to -25 V; a driver gives 5 to 15 V either way
//   (the driver's levels are from memory).
constexpr std::array<Row, 9> kRows{{
    {"ttl", "TTL (SN7400 data sheet)", 0, 5, -0.5, 0.8, 2.0, 5.5, true, -0.5, 0.4, 2.4, 5.5, false},
    {"lvttl", "LVTTL (JESD8C.01)", 0, 3.3, -0.5, 0.8, 2.0, 3.8, true, -0.5, 0.4, 2.4, 3.8, false},
    {"4000b-5v", "JEDEC 13-B, 5 V", 0, 5, -0.5, 1.5, 3.5, 5.5, true, -0.5, 0.5, 4.5, 5.5, false},
    {"4000b-10v", "JEDEC 13-B, 10 V", 0, 10, -0.5, 3.0, 7.0, 10.5, true, -0.5, 1.0, 9.0, 10.5,
     false},
    {"4000b-15v", "JEDEC 13-B, 15 V", 0, 15, -0.5, 4.0, 11.0, 15.5, true, -0.5, 1.5, 13.5, 15.5,
     false},
    {"iec-61131-2-type-1", "IEC 61131-2 type 1", 0, 24, -3, 5, 15, 30, false, 0, 0, 0, 0, false},
    {"iec-61131-2-type-2", "IEC 61131-2 type 2", 0, 24, -3, 5, 11, 30, false, 0, 0, 0, 0, false},
    {"iec-61131-2-type-3", "IEC 61131-2 type 3", 0, 24, -3, 5, 11, 30, false, 0, 0, 0, 0, false},
    {"v28", "ITU-T V.28", -12, 12, -25, -3, 3, 25, true, -15, -5, 5, 15, true},
}};

DriveLevel level(double volts) {
  DriveLevel drive;
  if (volts == 0.0) return drive;  // ground
  drive.kind = DriveLevel::Kind::volts;
  drive.volts = Volts{volts};
  return drive;
}

}  // namespace

std::vector<std::string> ready_family_names() {
  std::vector<std::string> names;
  for (const Row& row : kRows) names.emplace_back(row.name);
  return names;
}

std::optional<Family> ready_family(const std::string& name) {
  for (const Row& row : kRows) {
    if (name != row.name) continue;
    Family family;
    family.name = name;
    family.standard = row.standard;
    family.drive_low = level(row.drive_low);
    family.drive_high = level(row.drive_high);
    family.needs.low = Window{Volts{row.needs_low_min}, Volts{row.needs_low_max}};
    family.needs.high = Window{Volts{row.needs_high_min}, Volts{row.needs_high_max}};
    if (row.gives_known) {
      family.gives.low = Window{Volts{row.gives_low_min}, Volts{row.gives_low_max}};
      family.gives.high = Window{Volts{row.gives_high_min}, Volts{row.gives_high_max}};
    }
    family.one_is_low = row.one_is_low;
    return family;
  }
  return std::nullopt;
}

}  // namespace tenterhook::files
