// Any bytes as a step program, through a whole session, to the firmware: it runs them or refuses them,
// and 250 ms after the host falls silent everything is open.
#include <cstddef>
#include <cstdint>
#include <cstdlib>

#include "tests/unit/firmware/bench.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace tenterhook;
  if (size == 0) return 0;
  test::Bench bench;
  if (!bench.hello() || !bench.begin(1)) std::abort();
  bench.load(test::Bytes(data, data + size));
  bench.pump(150 * test::kMs);
  std::vector<std::uint8_t> out;
  const auto until = bench.firmware.now() + 250 * test::kMs;
  while (bench.firmware.now() < until) bench.firmware.run(until, out);
  const auto truth = bench.circuit.truth(bench.firmware.now());
  if (truth.any_contact_closed || truth.any_rail_on) std::abort();
  return 0;
}
