// Names for runs that no two benches share and that sort by time.
#pragma once

#include <cstdint>
#include <string>

namespace tenterhook::record {

// 26 characters of Crockford's base 32: 48 bits of milliseconds since 1970 (10 characters), then
// 80 random bits (16 characters). The form is that of the public ULID specification.
std::string make_uid(std::uint64_t time_ms, std::uint64_t random_high16,
                     std::uint64_t random_low64);

// The same from the system's clock and random device.
std::string make_uid();

// "2026-11-25T10:00:00Z", now.
std::string now_utc();

}  // namespace tenterhook::record
