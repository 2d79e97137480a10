// Runs a fuzz entry point without a fuzzer: over every file of the named folders as it is, and over seeded
// mutations of each. What a fuzzer once found stays found, on any compiler.
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <random>
#include <string>
#include <vector>

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);

namespace {

using Bytes = std::vector<std::uint8_t>;

Bytes mutated(Bytes bytes, std::mt19937_64& random) {
  const int changes = 1 + static_cast<int>(random() % 8);
  for (int i = 0; i < changes; ++i) {
    const std::size_t at = bytes.empty() ? 0 : random() % bytes.size();
    const auto place = bytes.begin() + static_cast<std::ptrdiff_t>(at);
    switch (random() % 5) {
      case 0: if (!bytes.empty()) *place ^= static_cast<std::uint8_t>(1U << random() % 8); break;
      case 1: if (!bytes.empty()) *place = static_cast<std::uint8_t>(random()); break;
      case 2: if (!bytes.empty()) bytes.erase(place); break;
      case 3: bytes.insert(place, static_cast<std::uint8_t>(random())); break;
      default: {  // a piece of itself again
        if (bytes.empty()) break;
        const std::size_t n = std::min<std::size_t>(random() % 16, bytes.size() - at);
        const Bytes piece(place, place + static_cast<std::ptrdiff_t>(n));
        bytes.insert(bytes.begin() + static_cast<std::ptrdiff_t>(random() % bytes.size()), piece.begin(), piece.end());
      }
    }
  }
  return bytes;
}

}  // namespace

// replay [--seed N] MUTATIONS FOLDER...
// Half of the mutations are the same every time, half are of a fresh seed, printed before anything runs: with
// --seed they are the same again.
int main(int argc, char** argv) {
  int first = 1;
  std::uint64_t seed = std::random_device{}();
  if (argc > 3 && std::string(argv[1]) == "--seed") {
    seed = std::strtoull(argv[2], nullptr, 10);
    first = 3;
  }
  if (argc < first + 2) return 2;
  const int mutations = std::atoi(argv[first]);
  std::printf("seed %llu\n", static_cast<unsigned long long>(seed));
  std::fflush(stdout);
  std::mt19937_64 same(20), fresh(seed);
  std::size_t files = 0, runs = 0;
  for (int i = first + 1; i < argc; ++i) {
    for (const auto& entry : std::filesystem::recursive_directory_iterator(argv[i])) {
      if (!entry.is_regular_file()) continue;
      std::ifstream file(entry.path(), std::ios::binary);
      const Bytes bytes{std::istreambuf_iterator<char>(file), {}};
      ++files;
      LLVMFuzzerTestOneInput(bytes.data(), bytes.size());
      for (int m = 0; m < mutations; ++m, ++runs) {
        const Bytes other = mutated(bytes, m % 2 == 0 ? same : fresh);
        LLVMFuzzerTestOneInput(other.data(), other.size());
      }
    }
  }
  std::printf("%zu files, %zu mutations of them\n", files, runs);
  return files == 0 ? 1 : 0;
}
