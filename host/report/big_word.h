// A word that can be read across the room, drawn like cloth stretched between two rows of hooks.
#pragma once

#include <string>

#include "host/report/screen.h"

namespace tenterhook::report {

// Lines of text, each ended by a newline; letters A D E F I L N O P R S T U, others are left blank.
// Two columns a pixel when the screen is wide enough, else one.
std::string big_word(const std::string& word, Paint paint, const Screen& screen);

}  // namespace tenterhook::report
