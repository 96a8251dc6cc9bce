// What the emulated core has besides the port's own configuration: what boards have, and the firmware uses.
#include <mpconfigport.h>

#undef MICROPY_PY_TIME
#define MICROPY_PY_TIME (1)
#define MICROPY_PY_TIME_GMTIME_LOCALTIME_MKTIME (1)
#define MICROPY_PY_TIME_TIME_TIME_NS (1)
#define MICROPY_PY_TIME_INCLUDEFILE "modtime_core.c"
#define MICROPY_PY_OS_INCLUDEFILE "modos_core.c"
#define MICROPY_PY_OS_URANDOM (1)
#define MICROPY_PY_RANDOM_SEED_INIT_FUNC (core_random())
#undef MICROPY_PY_MACHINE_INCLUDEFILE
#define MICROPY_PY_MACHINE_INCLUDEFILE "modmachine_core.c"

uint32_t core_random(void);
