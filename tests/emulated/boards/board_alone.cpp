// An emulated board on its own: reads a parts file, powers it, prints one voltage.
#include <cstdio>

#include "fixtures/emulated/boards/board.h"
#include "fixtures/emulated/boards/parts.h"

int main(int argc, char** argv) {
  if (argc < 2) return 2;
  const auto description = tenterhook::emulated::read_parts(argv[1]);
  if (!description.ok()) return 2;
  const auto board = tenterhook::emulated::make_board(*description, 1, {});
  if (!board.ok()) return 2;
  std::printf("%.3f\n", (*board)->volts(1'000'000'000, 0));
  return 0;
}
