// Reads a netlist in the ISCAS .bench notation as a board.
//
// INPUT(a), OUTPUT(a), a = GATE(b, c, ...) with AND NAND OR NOR XOR XNOR NOT BUF BUFF DFF, `#`
// comments, any case. Flip-flops are treated as full scan: the output G5 of `G5 = DFF(G10)` becomes
// an input line G5, and its data pin an output line G5_next (common practice in test generation;
// ISCAS-89: Brglez, Bryan & Kozminski 1989). An OUTPUT that is itself an INPUT is shown by a line
// NAME_out.
#pragma once

#include <string>

#include "host/base/result.h"
#include "host/files/board.h"

namespace tenterhook::circuit {

inline constexpr std::size_t kMaxBenchBytes = 16u << 20;
inline constexpr std::size_t kMaxBenchStatements = 250'000;
inline constexpr std::size_t kMaxBenchName = 256;

// Errors (Trouble::input): a file that cannot be read, is larger than kMaxBenchBytes, or has a line
// that is none of the above, with file:line:column; a net defined twice or never.
Result<files::Board> read_bench(const std::string& path);
Result<files::Board> parse_bench(const std::string& path, const std::string& text);

bool is_bench_path(const std::string& path);  // ends in ".bench"

}  // namespace tenterhook::circuit
