// Writes a circuit of the speed tests as Verilog, with a C++ driver that times its compiled model:
//   speed_circuit_verilog random|multiplier WIDTH FOLDER
// Every net is WIDTH patterns wide (1 or 64). Used by beside_verilator.sh.
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <string>

#include "host/circuit/bench.h"
#include "tests/unit/circuit/random_circuit.h"

namespace {

using tenterhook::files::Board;
using tenterhook::files::Gate;
using tenterhook::files::LineKind;

std::string expression(const Gate& gate) {
  const bool inverted =
      gate.type == "nand" || gate.type == "nor" || gate.type == "xnor" || gate.type == "not";
  const char* op = gate.type == "and" || gate.type == "nand" ? " & "
                   : gate.type == "or" || gate.type == "nor" ? " | "
                                                             : " ^ ";
  std::string text;
  for (const std::string& in : gate.inputs) text.append(text.empty() ? "" : op).append(in);
  return inverted ? "~(" + text + ")" : text;
}

void write_model(const Board& board, const std::string& width, std::ofstream& out) {
  out << "module dut(";
  for (std::size_t i = 0; i < board.lines.size(); ++i)
    out << (i == 0 ? "" : ", ") << board.lines[i].name;
  out << ");\n";
  for (const auto& line : board.lines)
    out << (line.kind == LineKind::input ? "  input" : "  output") << " [" << width << "-1:0] "
        << line.name << ";\n";
  for (const Gate& gate : board.circuit) {
    bool port = false;
    for (const auto& line : board.lines) port |= line.name == gate.outputs[0];
    if (!port) out << "  wire [" << width << "-1:0] " << gate.outputs[0] << ";\n";
  }
  for (const Gate& gate : board.circuit)
    out << "  assign " << gate.outputs[0] << " = " << expression(gate) << ";\n";
  out << "endmodule\n";
}

void write_driver(const Board& board, const std::string& width, std::ofstream& out) {
  out << "#include <cstdio>\n#include <ctime>\n#include <cstdint>\n#include \"Vdut.h\"\n"
         "int main() {\n  Vdut m;\n  std::uint64_t x = 1, sum = 0;\n  const int evals = 20000;\n"
         "  const std::clock_t begin = std::clock();\n  for (int k = 0; k < evals; ++k) {\n";
  for (const auto& line : board.lines)
    if (line.kind == LineKind::input)
      out << "    x ^= x << 13; x ^= x >> 7; x ^= x << 17; m." << line.name << " = "
          << (width == "1" ? "x & 1" : "x") << ";\n";
  out << "    m.eval();\n";
  for (const auto& line : board.lines)
    if (line.kind == LineKind::output) out << "    sum += m." << line.name << ";\n";
  out << "  }\n  const double s = static_cast<double>(std::clock() - begin) / CLOCKS_PER_SEC;\n"
      << "  std::printf(\"%.3g gate*pattern/s (checksum %llx)\\n\", " << board.circuit.size()
      << ".0 * evals * " << width << " / s, static_cast<unsigned long long>(sum));\n}\n";
}

}  // namespace

int main(int argc, char** argv) {
  using namespace tenterhook::circuit;
  if (argc != 4) return 2;
  const bool deep = std::string(argv[1]) == "multiplier";
  const std::string folder = argv[3];
  const auto board = parse_bench(
      "speed.bench", deep ? testing::multiplier_bench(19) : testing::random_bench(1, 200, 3500));
  if (!board) return 2;
  std::ofstream model(folder + "/dut.v"), driver(folder + "/driver.cpp");
  write_model(*board, argv[2], model);
  write_driver(*board, argv[2], driver);
  return model && driver ? 0 : 3;
}
