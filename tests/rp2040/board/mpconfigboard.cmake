# MicroPython's board of the tests: an RP2040 with 2 MiB of flash and no radio, as the port's own RPI_PICO.
set(PICO_BOARD "pico")
set(PICO_PLATFORM "rp2040")

# The port's own list of frozen modules asks for micropython-lib, which is not among Debian's sources.
set(MICROPY_FROZEN_MANIFEST ${MICROPY_BOARD_DIR}/manifest.py)

# The SDK's C++ support is the only thing here that needs a C++ library, which is 1.5 GB on disk: with this target in its
# place the SDK leaves its own out. Then gcc links instead of g++, which would have added the mathematical library.
add_library(pico_cxx_options INTERFACE)
add_library(pico_cxx_options_headers INTERFACE)
target_link_libraries(pico_cxx_options INTERFACE m)
