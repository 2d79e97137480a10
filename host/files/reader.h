// Reads board, vectors, fixture and machine files. The only user of the YAML library.
//
// Every function returns either a complete, checked value or the first error in file order, with
// file:line:column, what was expected, what was found and the likely remedy (Trouble::input).
// Nothing is driven and nothing is written. Bounded: depth, size, step count (see limits in
// reader.cpp).
#pragma once

#include <string>
#include <vector>

#include "host/base/result.h"
#include "host/files/board.h"
#include "host/files/fixture.h"
#include "host/files/vectors.h"

namespace tenterhook::files {

// What a file describes, by its first key: `vectors` for a vectors file or a board with steps.
enum class FileKind { board, vectors, fixture, machine, gates };
Result<FileKind> file_kind(const std::string& path);

// A board file, or a netlist whose name ends in ".bench" (host/circuit/bench.h), here and wherever
// a vectors file names its board.
Result<Board> read_board(const std::string& path);
// A vectors file with the board it names, or a board file that carries `steps:` itself.
Result<Vectors> read_vectors(const std::string& path);
Result<Fixture> read_fixture(const std::string& path);

// Checks a gate library by itself, with every gate in it used once.
Status check_gates(const std::string& path);

// The same from text, for tests and for recorded runs; `path` is used in marks and to resolve
// names.
Result<Board> parse_board(const std::string& path, const std::string& text);
Result<Vectors> parse_vectors(const std::string& path, const std::string& text);
Result<Fixture> parse_fixture(const std::string& path, const std::string& text);

// Vectors and board as a run recorded them: the first is the vectors file (or one-file board), and
// files named inside are looked up among the others, never on the disk.
Result<Vectors> parse_recorded(const std::vector<SourceFile>& sources);

}  // namespace tenterhook::files
