# The board of the emulated core: the port's own MPS2-AN385 with littlefs and a clock.
include boards/MPS2_AN385/mpconfigboard.mk

MICROPY_VFS_LFS2 = 1
LDSCRIPT = $(BOARD_DIR)/core.ld
FROZEN_MANIFEST =
SRC_C += shared/timeutils/timeutils.c
CFLAGS += -DMP_CONFIGFILE='"$(BOARD_DIR)/mpconfig.h"'
# The heap's place and size, and what runs, are core.c's; the wrapped allocator is how a test sees the largest piece.
LDFLAGS += -Wl,--wrap=main -Wl,--wrap=gc_alloc -Wl,--wrap=gc_realloc
