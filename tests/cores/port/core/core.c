// The emulated core's own part: what starts, flash, clock, a second serial line, and a look at the heap.
//
// The board's 16 MiB of external RAM are a file of the host, shared with the test while the core runs:
//   0x21000000  flash: blocks of 4 KiB for a littlefs, with the rules of NOR flash; it outlives resets and power cuts
//   0x21800000  words that the test and the core both read and write; the first ones are named below, the others belong
//               to the Python on both sides
// The heap lies in a RAM of its own at 0x20000000; its size is the word HEAP_BYTES. Timers count at 25 MHz.

#include <stdlib.h>
#include <string.h>

#include "extmod/vfs.h"
#include "py/compile.h"
#include "py/gc.h"
#include "py/mperrno.h"
#include "py/mphal.h"
#include "py/runtime.h"
#include "py/stackctrl.h"
#include "shared/runtime/pyexec.h"

#define HEAP ((uint8_t *)0x20000000)
#define FLASH ((uint8_t *)0x21000000)
#define BLOCK (4096)
#define WORD(n) (((volatile uint32_t *)0x21800000)[n])
#define HEAP_BYTES WORD(0)
#define FLASH_BLOCKS WORD(1)
#define SEED WORD(2)        // of random numbers; moves on, so that every start has its own
#define CLOCK_LOW WORD(3)   // UNIX milliseconds at tick 0
#define CLOCK_HIGH WORD(4)
#define SKIPPED_MS WORD(5)  // added to the ticks: time that passes without anybody waiting for it
#define SKIPPED_S WORD(6)   // the same in seconds
#define STARTS WORD(7)      // counted here
#define ERASES WORD(8)      // of flash blocks, counted here
#define PROGRAMS WORD(9)    // of flash, counted here
#define LARGEST WORD(10)    // bytes of the largest single allocation since this was last set to 0
#define FAIL_ABOVE WORD(11) // allocations above this many bytes fail, so that a traceback tells whose they are; 0: none
#define CUT_IN WORD(12)     // the power goes away in the middle of the n-th programming of flash from here; 0: never

typedef struct {
    volatile uint32_t CTRL, VALUE, RELOAD, INTERRUPT;
} core_timer_t;
typedef struct {
    volatile uint32_t DATA, STATE, CTRL, INTERRUPT, BAUDDIV;
} core_uart_t;
#define TIMER0 ((core_timer_t *)0x40000000)
#define TIMER1 ((core_timer_t *)0x40001000)
#define LINE ((core_uart_t *)0x40005000)
#define SET_ENABLE (*(volatile uint32_t *)0xE000E100)
#define CLEAR_PENDING (*(volatile uint32_t *)0xE000E280)
#define RESET_CONTROL (*(volatile uint32_t *)0xE000ED0C)
#define LINE_IRQ (1 << 2)
#define TIMER1_IRQ (1 << 9)

// Life

MP_NORETURN void core_reset(void) {
    RESET_CONTROL = 0x05FA0004;
    for (;;) {
    }
}

int __wrap_main(void) {
    __asm volatile ("cpsid i"); // interrupts end a wait and have no handlers
    STARTS += 1;
    TIMER0->RELOAD = TIMER0->VALUE = 0xFFFFFFFF;
    TIMER0->CTRL = 1;
    LINE->BAUDDIV = 16;
    LINE->CTRL = 0xB; // both ways, an interrupt for what comes
    SET_ENABLE = LINE_IRQ | TIMER1_IRQ;
    mp_stack_ctrl_init();
    mp_stack_set_limit(10240);
    gc_init(HEAP, HEAP + HEAP_BYTES);
    mp_init();
    static const char mount[] = "import core, vfs\nvfs.mount(vfs.VfsLfs2(core.Flash(), progsize=256), '/')\n";
    nlr_buf_t nlr;
    if (nlr_push(&nlr) == 0) {
        mp_lexer_t *lex = mp_lexer_new_from_str_len(MP_QSTR__lt_stdin_gt_, mount, sizeof(mount) - 1, 0);
        mp_parse_tree_t tree = mp_parse(lex, MP_PARSE_FILE_INPUT);
        mp_call_function_0(mp_compile(&tree, MP_QSTR__lt_stdin_gt_, false));
        nlr_pop();
    } else {
        mp_obj_print_exception(&mp_plat_print, MP_OBJ_FROM_PTR(nlr.ret_val));
        return 1;
    }
    int done = pyexec_file_if_exists("main.py");
    mp_printf(&mp_plat_print, "main.py has ended%s\n", done == 1 ? "" : " with an error");
    exit(done == 1 ? 0 : 1);
}

uint32_t core_random(void) {
    uint32_t x = SEED ? SEED : 1; // xorshift (Marsaglia 2003, from memory)
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    SEED = x;
    return x;
}

// Time

static uint64_t ticks(void) { // of 40 ns since the start
    static uint32_t last, wraps;
    uint32_t now = ~TIMER0->VALUE;
    wraps += now < last;
    last = now;
    return (uint64_t)wraps << 32 | now;
}

static uint64_t ms_since_start(void) {
    return ticks() / 25000 + SKIPPED_MS + 1000ULL * SKIPPED_S;
}

mp_uint_t mp_hal_ticks_ms(void) {
    return ms_since_start();
}

mp_uint_t mp_hal_ticks_us(void) {
    return ticks() / 25 + 1000ULL * SKIPPED_MS + 1000000ULL * SKIPPED_S;
}

mp_uint_t mp_hal_ticks_cpu(void) {
    return ticks();
}

uint64_t mp_hal_time_ns(void) {
    return (((uint64_t)CLOCK_HIGH << 32 | CLOCK_LOW) + ms_since_start()) * 1000000ULL;
}

static bool line_has(void) {
    return LINE->STATE & 2;
}

// Wait for some ticks of 40 ns; with `line`, until a byte has come at the latest.
static void wait_ticks(uint64_t wait, bool line) {
    uint64_t end = ticks() + wait;
    for (uint64_t now = ticks(); now < end && !(line && line_has()); now = ticks()) {
        uint64_t left = end - now;
        TIMER1->CTRL = 0;
        TIMER1->RELOAD = TIMER1->VALUE = left > 25000000 ? 25000000 : (uint32_t)left;
        TIMER1->INTERRUPT = 1;
        CLEAR_PENDING = TIMER1_IRQ;
        TIMER1->CTRL = 9;
        __asm volatile ("wfi");
        LINE->INTERRUPT = 2;
        CLEAR_PENDING = LINE_IRQ;
    }
    TIMER1->CTRL = 0;
}

void mp_hal_delay_ms(mp_uint_t ms) {
    wait_ticks(25000ULL * ms, false);
}

void mp_hal_delay_us(mp_uint_t us) {
    wait_ticks(25ULL * us, false);
}

static mp_obj_t core_wait(mp_obj_t ms) {
    wait_ticks(25000ULL * mp_obj_get_int(ms), true);
    return mp_const_none;
}
static MP_DEFINE_CONST_FUN_OBJ_1(core_wait_obj, core_wait);

// The second serial line

static mp_obj_t core_receive(mp_obj_t buffer) { // fills it with what comes without a pause of 0.2 ms; how many bytes
    mp_buffer_info_t into;
    mp_get_buffer_raise(buffer, &into, MP_BUFFER_WRITE);
    size_t n = 0;
    while (n < into.len && (line_has() || (n && (wait_ticks(5000, true), line_has())))) {
        ((uint8_t *)into.buf)[n++] = LINE->DATA;
    }
    return MP_OBJ_NEW_SMALL_INT(n);
}
static MP_DEFINE_CONST_FUN_OBJ_1(core_receive_obj, core_receive);

static mp_obj_t core_send(mp_obj_t data) {
    mp_buffer_info_t from;
    mp_get_buffer_raise(data, &from, MP_BUFFER_READ);
    for (size_t i = 0; i < from.len; i++) {
        while (LINE->STATE & 1) {
        }
        LINE->DATA = ((uint8_t *)from.buf)[i];
    }
    return mp_const_none;
}
static MP_DEFINE_CONST_FUN_OBJ_1(core_send_obj, core_send);

// The heap

void *__real_gc_alloc(size_t n_bytes, unsigned int flags);
void *__real_gc_realloc(void *ptr, size_t n_bytes, bool allow_move);

static bool too_large(size_t n_bytes) {
    if (n_bytes > LARGEST) {
        LARGEST = n_bytes;
    }
    return FAIL_ABOVE && n_bytes > FAIL_ABOVE;
}

void *__wrap_gc_alloc(size_t n_bytes, unsigned int flags) {
    return too_large(n_bytes) ? NULL : __real_gc_alloc(n_bytes, flags);
}

void *__wrap_gc_realloc(void *ptr, size_t n_bytes, bool allow_move) {
    return too_large(n_bytes) ? NULL : __real_gc_realloc(ptr, n_bytes, allow_move);
}

static mp_obj_t core_memory(void) { // (bytes free, bytes of the largest free piece)
    gc_info_t info;
    gc_info(&info);
    mp_obj_t both[2] = {MP_OBJ_NEW_SMALL_INT(info.free), MP_OBJ_NEW_SMALL_INT(info.max_free * MICROPY_BYTES_PER_GC_BLOCK)};
    return mp_obj_new_tuple(2, both);
}
static MP_DEFINE_CONST_FUN_OBJ_0(core_memory_obj, core_memory);

// Flash: the block device of a littlefs. Programming clears bits and never sets one.

static mp_obj_t flash_make(const mp_obj_type_t *type, size_t n_args, size_t n_kw, const mp_obj_t *args) {
    return MP_OBJ_FROM_PTR(mp_obj_malloc(mp_obj_base_t, type));
}

static uint8_t *flash_at(size_t n_args, const mp_obj_t *args, mp_buffer_info_t *info, int flags) {
    mp_get_buffer_raise(args[2], info, flags);
    size_t at = BLOCK * mp_obj_get_int(args[1]) + (n_args > 3 ? mp_obj_get_int(args[3]) : 0);
    if (at + info->len > BLOCK * FLASH_BLOCKS) {
        mp_raise_OSError(MP_EIO);
    }
    return FLASH + at;
}

static mp_obj_t flash_read(size_t n_args, const mp_obj_t *args) {
    mp_buffer_info_t info;
    uint8_t *at = flash_at(n_args, args, &info, MP_BUFFER_WRITE);
    memcpy(info.buf, at, info.len);
    return MP_OBJ_NEW_SMALL_INT(0);
}
static MP_DEFINE_CONST_FUN_OBJ_VAR_BETWEEN(flash_read_obj, 3, 4, flash_read);

static mp_obj_t flash_program(size_t n_args, const mp_obj_t *args) {
    mp_buffer_info_t info;
    uint8_t *at = flash_at(n_args, args, &info, MP_BUFFER_READ);
    bool cut = CUT_IN && --CUT_IN == 0;
    size_t end = cut ? info.len / 2 : info.len;
    for (size_t i = 0; i < end; i++) {
        at[i] &= ((uint8_t *)info.buf)[i];
    }
    PROGRAMS += 1;
    if (cut) {
        core_reset();
    }
    return MP_OBJ_NEW_SMALL_INT(0);
}
static MP_DEFINE_CONST_FUN_OBJ_VAR_BETWEEN(flash_program_obj, 3, 4, flash_program);

static mp_obj_t flash_ioctl(mp_obj_t self, mp_obj_t op_in, mp_obj_t block_in) {
    switch (mp_obj_get_int(op_in)) {
        case MP_BLOCKDEV_IOCTL_BLOCK_COUNT:
            return MP_OBJ_NEW_SMALL_INT(FLASH_BLOCKS);
        case MP_BLOCKDEV_IOCTL_BLOCK_SIZE:
            return MP_OBJ_NEW_SMALL_INT(BLOCK);
        case MP_BLOCKDEV_IOCTL_BLOCK_ERASE: {
            size_t block = mp_obj_get_int(block_in);
            if (block >= FLASH_BLOCKS) {
                mp_raise_OSError(MP_EIO);
            }
            memset(FLASH + BLOCK * block, 0xFF, BLOCK);
            ERASES += 1;
            return MP_OBJ_NEW_SMALL_INT(0);
        }
        default:
            return MP_OBJ_NEW_SMALL_INT(0);
    }
}
static MP_DEFINE_CONST_FUN_OBJ_3(flash_ioctl_obj, flash_ioctl);

static const mp_rom_map_elem_t flash_locals_table[] = {
    { MP_ROM_QSTR(MP_QSTR_readblocks), MP_ROM_PTR(&flash_read_obj) },
    { MP_ROM_QSTR(MP_QSTR_writeblocks), MP_ROM_PTR(&flash_program_obj) },
    { MP_ROM_QSTR(MP_QSTR_ioctl), MP_ROM_PTR(&flash_ioctl_obj) },
};
static MP_DEFINE_CONST_DICT(flash_locals, flash_locals_table);
static MP_DEFINE_CONST_OBJ_TYPE(flash_type, MP_QSTR_Flash, MP_TYPE_FLAG_NONE, make_new, flash_make,
    locals_dict, &flash_locals);

static const mp_rom_map_elem_t core_globals_table[] = {
    { MP_ROM_QSTR(MP_QSTR___name__), MP_ROM_QSTR(MP_QSTR_core) },
    { MP_ROM_QSTR(MP_QSTR_Flash), MP_ROM_PTR(&flash_type) },
    { MP_ROM_QSTR(MP_QSTR_wait), MP_ROM_PTR(&core_wait_obj) },
    { MP_ROM_QSTR(MP_QSTR_receive), MP_ROM_PTR(&core_receive_obj) },
    { MP_ROM_QSTR(MP_QSTR_send), MP_ROM_PTR(&core_send_obj) },
    { MP_ROM_QSTR(MP_QSTR_memory), MP_ROM_PTR(&core_memory_obj) },
};
static MP_DEFINE_CONST_DICT(core_globals, core_globals_table);
const mp_obj_module_t core_module = {
    .base = { &mp_type_module },
    .globals = (mp_obj_dict_t *)&core_globals,
};
MP_REGISTER_MODULE(MP_QSTR_core, core_module);
