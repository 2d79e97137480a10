// Any bytes as what a person types at the probe: volts that are a number, or none.
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string>

#include "host/commands/touching.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto volts = tenterhook::commands::typed_volts(std::string(reinterpret_cast<const char*>(data), size));
  if (volts && !std::isfinite(*volts)) std::abort();
  return 0;
}
