// Which of the planted changes is in force: the number in TH_MUTANT; without it, none. Included by copies of
// sources that tests/mutation/mutate has changed, and by nothing else.
#pragma once

#ifdef __AVR__
#define th_mutant(number) false
#else
#include <cstdlib>
inline const int th_mutant_number = std::getenv("TH_MUTANT") != nullptr ? std::atoi(std::getenv("TH_MUTANT")) : 0;
inline bool th_mutant(int number) { return th_mutant_number == number; }
#endif
