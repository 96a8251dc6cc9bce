// Included by extmod/modtime.c: the clock is the one that the test gives; see core.c.
#include "shared/timeutils/timeutils.h"

static mp_obj_t mp_time_localtime_get(void) {
    timeutils_struct_time_t tm;
    timeutils_seconds_since_epoch_to_struct_time(mp_hal_time_ns() / 1000000000, &tm);
    mp_obj_t tuple[8] = {
        MP_OBJ_NEW_SMALL_INT(tm.tm_year), MP_OBJ_NEW_SMALL_INT(tm.tm_mon), MP_OBJ_NEW_SMALL_INT(tm.tm_mday),
        MP_OBJ_NEW_SMALL_INT(tm.tm_hour), MP_OBJ_NEW_SMALL_INT(tm.tm_min), MP_OBJ_NEW_SMALL_INT(tm.tm_sec),
        MP_OBJ_NEW_SMALL_INT(tm.tm_wday), MP_OBJ_NEW_SMALL_INT(tm.tm_yday),
    };
    return mp_obj_new_tuple(8, tuple);
}

static mp_obj_t mp_time_time_get(void) {
    return mp_obj_new_int_from_ll(mp_hal_time_ns() / 1000000000);
}
