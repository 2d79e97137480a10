// What the firmware takes of the ATmega2560, by analysis of its disassembly: flash, static RAM, and a
// bound of the stack over every path, interrupts included (the emulator's test measures what was used).
//
// The stack bound: for each function the pushes, the frame it opens on the stack pointer, and 3 bytes of
// return address a call; over the call graph, which must have no cycle and no call through a
// pointer; main, plus the conversion interrupt (it lets others in once), plus the deepest other one.
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdio>
#include <fstream>
#include <map>
#include <set>
#include <sstream>
#include <string>
#include <vector>

namespace tenterhook::test {
namespace {

constexpr long kFlashMax = 64 * 1024;  // of 248 KiB beside a boot loader; speed comes first (-O2)
constexpr long kStaticMax = 6 * 1024;
constexpr int kStackMax = 1024;
constexpr int kReturnBytes = 3;
constexpr const char* kConversion = "__vector_29";

struct Function {
  int own = 0;  // pushes and frame
  std::set<unsigned> calls;
  std::set<unsigned> jumps;  // tail calls: into another function without a return address
  bool indirect = false;
};

struct Listing {
  std::map<unsigned, std::string> names;
  std::map<unsigned, Function> functions;
  std::vector<std::string> complaints;
  int lowered = 0;  // by how much r28:r29 was lowered since it was last loaded

  explicit Listing(std::istream& in) {
    unsigned at = 0;
    for (std::string line; std::getline(in, line);) {
      unsigned address = 0;
      char name[256];
      if (std::sscanf(line.c_str(), "%x <%255[^>]>:", &address, name) == 2) {
        at = address;
        names[at] = name;
        functions[at];
      } else {
        instruction(functions[at], line);
      }
    }
  }

  // "    12ca:\t78 94 \tsei \t; comment"
  void instruction(Function& f, const std::string& line) {
    std::vector<std::string> part;
    std::istringstream in(line);
    for (std::string field; std::getline(in, field, '\t');) part.push_back(field);
    if (part.size() < 3) return;
    const std::string op = part[2].substr(0, part[2].find(' '));
    const std::string args = part.size() > 3 ? part[3] : "";
    const std::string comment = part.size() > 4 ? part[4] : "";
    if (op == "push") {
      ++f.own;
    } else if (op == "icall" || op == "eicall" || op == "ijmp" || op == "eijmp") {
      f.indirect = true;
    } else if (op == "call" || op == "rcall") {
      if (args == ".+0") {
        f.own += kReturnBytes;  // the compiler's way of making room on the stack
      } else {
        f.calls.insert(target(comment + args));
      }
    } else if (op == "jmp" || op == "rjmp") {
      f.jumps.insert(target(comment + args));
    } else if (args.rfind("r28,", 0) == 0 && (op == "sbiw" || op == "subi")) {
      lowered = std::stoi(args.substr(5), nullptr, 0);
    } else if (args.rfind("r29,", 0) == 0 && op == "sbci") {
      lowered = static_cast<short>(lowered + 256 * std::stoi(args.substr(5), nullptr, 0));
    } else if (args.rfind("r28,", 0) == 0 || op == "adiw") {
      lowered = 0;
    } else if (op == "out" && args == "0x3d, r28") {
      // The stack pointer is set from r28:r29: a frame opens when that was lowered just before (raised
      // again it gives a negative number).
      f.own += std::max(lowered, 0);
      lowered = 0;
    }
  }
  static unsigned target(const std::string& text) {
    const auto at = text.find("0x");
    return at == std::string::npos ? 0 : static_cast<unsigned>(std::stoul(text.substr(at), nullptr, 16));
  }
  unsigned function_of(unsigned address) const {
    auto it = functions.upper_bound(address);
    return it == functions.begin() ? 0 : std::prev(it)->first;
  }

  // Deepest stack of a function and all that it calls.
  int depth(unsigned at, std::set<unsigned>& open) {
    if (open.count(at) != 0) {
      complaints.push_back("recursion through " + names[at]);
      return 0;
    }
    const Function& f = functions[at];
    // A switch jumps through this back into the function it is in, whose calls are counted there.
    if (f.indirect && names[at] != "__tablejump2__") complaints.push_back("call through a pointer in " + names[at]);
    open.insert(at);
    int deepest = 0;
    for (unsigned to : f.calls) {
      if (function_of(to) == at) continue;
      deepest = std::max(deepest, kReturnBytes + depth(function_of(to), open));
    }
    for (unsigned to : f.jumps) {
      const unsigned other = function_of(to);
      if (other != at) deepest = std::max(deepest, depth(other, open));
    }
    open.erase(at);
    return f.own + deepest;
  }
  int depth_of(const std::string& name) {
    for (const auto& [at, n] : names) {
      if (n != name) continue;
      std::set<unsigned> open;
      return depth(at, open);
    }
    return -1;
  }
};

// Section sizes by avr-size -A.
long section(const std::string& sizes, const std::string& name) {
  std::istringstream in(sizes);
  for (std::string line; std::getline(in, line);) {
    std::istringstream fields(line);
    std::string n;
    long size = 0;
    if (fields >> n >> size && n == name) return size;
  }
  return 0;
}

TEST(Footprint, FlashStaticRamAndStackStayWithinTheirLimits) {
  std::ifstream dis(TH_FIRMWARE_DIS);
  ASSERT_TRUE(dis) << TH_FIRMWARE_DIS;
  Listing listing(dis);
  const int main_depth = listing.depth_of("main");
  const int conversion = listing.depth_of(kConversion) + kReturnBytes;
  int other = 0;
  for (const auto& [at, name] : listing.names) {
    if (name.rfind("__vector_", 0) == 0 && name != kConversion && name != "__vector_default") {
      other = std::max(other, listing.depth_of(name) + kReturnBytes);
    }
  }
  ASSERT_GT(main_depth, 50);
  ASSERT_GT(conversion, 20);
  ASSERT_GT(other, 5);
  const int stack = main_depth + kReturnBytes + conversion + other;
  for (const std::string& c : listing.complaints) ADD_FAILURE() << c;

  FILE* pipe = popen("avr-size -A " TH_FIRMWARE_ELF, "r");
  ASSERT_NE(pipe, nullptr);
  std::string sizes;
  char buffer[512];
  while (std::fgets(buffer, sizeof buffer, pipe) != nullptr) sizes += buffer;
  ASSERT_EQ(pclose(pipe), 0);
  const long flash = section(sizes, ".text") + section(sizes, ".data");
  const long ram = section(sizes, ".data") + section(sizes, ".bss") + section(sizes, ".noinit");
  std::printf("flash %ld of %ld B, static RAM %ld of %ld B, stack bound %d of %d B\n", flash, kFlashMax,
              ram, kStaticMax, stack, kStackMax);
  EXPECT_GT(flash, 8 * 1024);
  EXPECT_LE(flash, kFlashMax);
  EXPECT_GT(ram, 3 * 1024);
  EXPECT_LE(ram, kStaticMax);
  EXPECT_LE(stack, kStackMax);
}

}  // namespace
}  // namespace tenterhook::test
