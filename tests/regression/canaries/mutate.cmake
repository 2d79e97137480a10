# -DFILE=... -DFROM=... -DTO=... -DOUT=...: a copy of FILE with the one occurrence of FROM replaced.
file(READ "${FILE}" text)
string(FIND "${text}" "${FROM}" first)
string(FIND "${text}" "${FROM}" last REVERSE)
if(first EQUAL -1 OR NOT first EQUAL last)
  message(FATAL_ERROR "${FILE}: not exactly one '${FROM}': the planted bug must be planted anew")
endif()
string(REPLACE "${FROM}" "${TO}" text "${text}")
file(WRITE "${OUT}" "${text}")
