# th_module(NAME SOURCES... [LINKS targets...] [FAST]): one static library a folder. Compile time is a
# budget: release builds at -O1, and at -O2 what is FAST (simulation, where the time of a run goes).
function(th_module name)
  cmake_parse_arguments(M "FAST" "" "SOURCES;LINKS" ${ARGN})
  add_library(${name} STATIC ${M_SOURCES})
  target_link_libraries(${name} PUBLIC ${M_LINKS})
  if(M_FAST)
    target_compile_options(${name} PRIVATE $<$<CONFIG:Release>:-O2>)
  endif()
endfunction()

# th_test(NAME SOURCES... LINKS targets... [LABELS ...] [TIMEOUT s]): one GoogleTest program,
# one ctest entry. TH_SOURCE_DIR is defined for tests that read files of the tree.
function(th_test name)
  cmake_parse_arguments(T "" "TIMEOUT" "SOURCES;LINKS;LABELS" ${ARGN})
  add_executable(${name} ${T_SOURCES})
  target_link_libraries(${name} PRIVATE ${T_LINKS} GTest::gmock GTest::gtest_main)
  target_compile_definitions(${name} PRIVATE TH_SOURCE_DIR="${PROJECT_SOURCE_DIR}")
  add_test(NAME ${name} COMMAND ${name} WORKING_DIRECTORY ${PROJECT_SOURCE_DIR})
  if(NOT T_TIMEOUT)
    set(T_TIMEOUT 300)
  endif()
  set_tests_properties(${name} PROPERTIES TIMEOUT ${T_TIMEOUT} LABELS "${T_LABELS}")
endfunction()

# th_subdirectories(): adds every folder below this one that has a CMakeLists.txt.
function(th_subdirectories)
  file(GLOB entries CONFIGURE_DEPENDS LIST_DIRECTORIES true ${CMAKE_CURRENT_SOURCE_DIR}/*/CMakeLists.txt)
  foreach(entry ${entries})
    get_filename_component(folder ${entry} DIRECTORY)
    add_subdirectory(${folder})
  endforeach()
endfunction()
