// Included by extmod/modmachine.c: reset() is a real one, after which the program starts anew and flash is as it was.
static void mp_machine_idle(void) {
    __asm volatile ("wfi");
}

MP_NORETURN static void mp_machine_reset(void) {
    void core_reset(void);
    core_reset();
    for (;;) {
    }
}

static mp_int_t mp_machine_reset_cause(void) {
    return 0;
}
