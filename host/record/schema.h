// The tables of the store, version by version, and the one way up from an older one.
#pragma once

#include "host/base/result.h"
#include "host/record/database.h"

namespace tenterhook::record {

inline constexpr long long kApplicationId = 0x546e486b;  // "TnHk" in the file's header
long long newest_schema();

// What the file is: schema version 0 for an empty file. Trouble::input when it is not a database,
// belongs to another program, or has a newer schema than this program knows.
Result<long long> schema_of(Database& database);

// Brings an empty or older store to the newest schema, one version after another, each in one
// transaction; nothing recorded is changed.
Status migrate(Database& database);

}  // namespace tenterhook::record
