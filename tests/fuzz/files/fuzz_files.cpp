// Any bytes as any description file: an answer, never harm.
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string>

#include "host/files/machine.h"
#include "host/files/reader.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  namespace files = tenterhook::files;
  const std::string text(reinterpret_cast<const char*>(data), size);
  const auto check = [](const auto& read) {
    // Whatever is wrong with a file is the file's trouble, and has a place and a text.
    if (!read.ok() && (read.error().trouble != tenterhook::Trouble::input || read.error().what.empty()))
      std::abort();
  };
  check(files::parse_vectors("fuzz.yaml", text));
  check(files::parse_board("fuzz.yaml", text));
  check(files::parse_fixture("fuzz.yaml", text));
  check(files::parse_machine("fuzz.yaml", text));
  return 0;
}
