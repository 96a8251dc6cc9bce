// Included by extmod/modos.c.
static mp_obj_t mp_os_urandom(mp_obj_t size) {
    mp_int_t n = mp_obj_get_int(size);
    vstr_t vstr;
    vstr_init_len(&vstr, n);
    for (mp_int_t i = 0; i < n; i++) {
        vstr.buf[i] = core_random() >> 16;
    }
    return mp_obj_new_bytes_from_vstr(&vstr);
}
static MP_DEFINE_CONST_FUN_OBJ_1(mp_os_urandom_obj, mp_os_urandom);
