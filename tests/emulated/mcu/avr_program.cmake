# avr_program(NAME SOURCE): NAME.elf in the binary folder, for the emulated ATmega2560.
function(avr_program name source)
  find_program(AVR_GXX avr-g++ REQUIRED)
  set(elf ${CMAKE_CURRENT_BINARY_DIR}/${name}.elf)
  add_custom_command(OUTPUT ${elf}
    COMMAND ${AVR_GXX} -mmcu=atmega2560 -DF_CPU=16000000UL -std=gnu++14 -Os -Wall -Wextra
            -o ${elf} ${CMAKE_CURRENT_SOURCE_DIR}/${source}
    DEPENDS ${source} VERBATIM)
  add_custom_target(${name}_elf DEPENDS ${elf})
endfunction()
