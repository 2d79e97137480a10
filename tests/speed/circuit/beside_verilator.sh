#!/bin/sh
# Good-machine speed of the circuits of speed_circuit as Verilator compiles them, one pattern and 64
# patterns at a time: beside_verilator.sh BUILD_FOLDER
set -eu
writer=$1/tests/speed/circuit/speed_circuit_verilog
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
for circuit in random multiplier; do
  for width in 1 64; do
    rm -rf "$work"/* && "$writer" $circuit $width "$work"
    (cd "$work" && verilator --cc --exe --build -O3 --x-assign fast --x-initial fast -Wno-fatal -Wno-UNOPTFLAT \
      -CFLAGS "-O3" -LDFLAGS "-O3" --top-module dut dut.v driver.cpp >log 2>&1) || { tail -20 "$work/log"; exit 1; }
    printf '%s, %s pattern(s) at a time: ' $circuit $width
    "$work/obj_dir/Vdut"
  done
done
