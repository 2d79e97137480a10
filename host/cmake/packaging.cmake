# cmake --install, and a Debian package by cpack -G DEB. The man page and the completions are written by the program
# itself, from the definitions that parse its command line.
include(GNUInstallDirs)
# The program and its manuals are enough: cmake --build DIR --target tenterhook manuals, then install or cpack.
set(CMAKE_SKIP_INSTALL_ALL_DEPENDENCY ON)

set(TH_MANUALS ${PROJECT_BINARY_DIR}/manuals)
add_custom_command(OUTPUT ${TH_MANUALS}/tenterhook.1.gz ${TH_MANUALS}/tenterhook.bash ${TH_MANUALS}/_tenterhook
  COMMAND ${CMAKE_COMMAND} -E make_directory ${TH_MANUALS}
  COMMAND tenterhook --manual man > ${TH_MANUALS}/tenterhook.1
  COMMAND gzip -9nf ${TH_MANUALS}/tenterhook.1
  COMMAND tenterhook --manual bash > ${TH_MANUALS}/tenterhook.bash
  COMMAND tenterhook --manual zsh > ${TH_MANUALS}/_tenterhook
  DEPENDS tenterhook VERBATIM)
add_custom_target(manuals ALL DEPENDS ${TH_MANUALS}/tenterhook.1.gz)

install(TARGETS tenterhook RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
install(FILES ${TH_MANUALS}/tenterhook.1.gz DESTINATION ${CMAKE_INSTALL_MANDIR}/man1)
install(FILES ${TH_MANUALS}/tenterhook.bash DESTINATION ${CMAKE_INSTALL_DATADIR}/bash-completion/completions RENAME tenterhook)
install(FILES ${TH_MANUALS}/_tenterhook DESTINATION ${CMAKE_INSTALL_DATADIR}/zsh/vendor-completions)
install(DIRECTORY docs/schemas DESTINATION ${CMAKE_INSTALL_DATADIR}/tenterhook FILES_MATCHING PATTERN "*.schema.json")
install(DIRECTORY vectors DESTINATION ${CMAKE_INSTALL_DOCDIR}/examples)
install(DIRECTORY docs/ DESTINATION ${CMAKE_INSTALL_DOCDIR} PATTERN schemas EXCLUDE)
install(FILES README.md DESTINATION ${CMAKE_INSTALL_DOCDIR})
install(FILES LICENSE DESTINATION ${CMAKE_INSTALL_DOCDIR} RENAME copyright)
install(FILES host/packaging/60-tenterhook.rules DESTINATION lib/udev/rules.d)

set(CPACK_PACKAGE_NAME tenterhook)
set(CPACK_PACKAGE_VENDOR "Tenterhook")
set(CPACK_PACKAGE_CONTACT "Tenterhook <tenterhook@localhost>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "bench tester for hand-made logic boards")
set(CPACK_PACKAGE_DESCRIPTION "Drives a board of valves, relays or transistors through its vectors, judges every output by its window with its uncertainty, names the part to look at, and keeps a record of every run.")
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_GENERATOR DEB)
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SECTION electronics)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS "avrdude, libngspice0")
set(CPACK_DEBIAN_PACKAGE_SUGGESTS "sqlite3, bash-completion")
include(CPack)
