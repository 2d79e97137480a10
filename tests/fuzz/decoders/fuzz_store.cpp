// Any bytes as a store from a stranger: opened, listed and checked, or refused with the file's name.
#include <unistd.h>

#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <string>

#include "host/record/store.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace tenterhook;
  const std::string path = (std::filesystem::temp_directory_path() / ("fuzz-" + std::to_string(::getpid()) + ".db")).string();
  {
    std::ofstream file(path, std::ios::binary | std::ios::trunc);
    file.write(reinterpret_cast<const char*>(data), static_cast<std::streamsize>(size));
  }
  {
    auto store = record::Store::open(path);
    if (!store.ok() && store.error().what.empty()) std::abort();
    if (store.ok()) {
      const auto page = store->history({});
      if (page.ok()) {
        for (const auto& run : page->runs) (void)store->load(run.number);
      }
    }
  }
  for (const char* suffix : {"", "-wal", "-shm", "-journal"}) std::filesystem::remove(path + suffix);
  return 0;
}
