#include "clocks.h"

#include "settings.h"

void wake_blocks(uint32_t blocks) {
    SET_BITS(RESETS_RESET) = blocks;
    CLEAR_BITS(RESETS_RESET) = blocks;
    while (~REG(RESETS_DONE) & blocks) {
    }
}

static void start_pll(uint32_t pll, uint32_t block, uint32_t times, uint32_t divide_1,
                      uint32_t divide_2) {
    wake_blocks(block);
    REG(pll + 0x0) = 1; // the frequency of the crystal is not divided
    REG(pll + 0x8) = times;
    CLEAR_BITS(pll + 0x4) = 1u << 0 | 1u << 5; // power for the PLL and its oscillator
    while (!(REG(pll) >> 31)) {
    }
    REG(pll + 0xC) = divide_1 << 16 | divide_2 << 12;
    CLEAR_BITS(pll + 0x4) = 1u << 3; // power for the dividers
}

void start_clocks(void) {
    REG(XOSC_STARTUP) = 47 * 64; // slow crystals need some ms
    REG(XOSC_CTRL) = 0xFABu << 12 | 0xAA0;
    while (!(REG(XOSC_STATUS) >> 31)) {
    }
    CLEAR_BITS(CLK_SYS_CTRL) = 1; // use no clock that will change
    while (REG(CLK_SYS_SELECTED) != 1) {
    }
    REG(CLK_REF_CTRL) = 2; // the crystal
    while (REG(CLK_REF_SELECTED) != 1u << 2) {
    }
    start_pll(PLL_SYS, BLOCK_PLL_SYS, 125, 6, 2); // 12 MHz * 125 / 12
    start_pll(PLL_USB, BLOCK_PLL_USB, 100, 5, 5); // 12 MHz * 100 / 25
    REG(CLK_SYS_CTRL) = 0;                        // the other source is PLL_SYS
    SET_BITS(CLK_SYS_CTRL) = 1;
    while (REG(CLK_SYS_SELECTED) != 1u << 1) {
    }
    REG(CLK_USB_CTRL) = 1u << 11; // PLL_USB
    wake_blocks(BLOCK_TIMER);
    REG(WATCHDOG_TICK) = 1u << 9 | 12; // crystal cycles in a microsecond
}

// The watchdog counts down by two in each microsecond (erratum E1 of the chip).
void feed_watchdog(void) { REG(WATCHDOG_LOAD) = 2 * 250000; }

// Only the registers of the watchdog keep their values after a restart by the watchdog. The boot
// program of the chip also restarts with the watchdog, after a file was copied to the board. This
// word shows that our firmware was running.
#define OURS 0x67617465u

static const char *cause;

static const char *find_cause(void) {
    if (REG(WATCHDOG_SCRATCH) == OURS && REG(WATCHDOG_REASON) & WATCHDOG_REASON_TIMER)
        return "watchdog";
    if (REG(CHIP_RESET) & CHIP_RESET_BY_PIN) return "reset-pin";
    if (REG(CHIP_RESET) & CHIP_RESET_BY_POWER) return "power";
    return "unknown";
}

const char *cause_of_start(void) { return cause; }

void start_watchdog(void) {
    cause = find_cause();
    REG(WATCHDOG_SCRATCH) = OURS;
    REG(PSM_WATCHDOG_RESETS) = 0x1FFFC; // everything except the oscillators
    feed_watchdog();
    if (GATES_WATCHDOG) SET_BITS(WATCHDOG_CTRL) = 1u << 30;
}
