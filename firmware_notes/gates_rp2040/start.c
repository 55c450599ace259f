// From the vector table to main(): copy the program into the RAM, so that the speed of the flash
// does not matter.

#include "chip.h"

extern uint32_t stack_top[], image_start[], image_end[], image_source[], bss_start[], bss_end[];

void main(void);

__attribute__((noreturn)) void start(void);
static void wake_by_timer(void), wake_by_usb(void);

// After a fault the chip waits until the watchdog restarts it.
__attribute__((section(".vectors"), noreturn)) static void fault(void) {
    while (true) {
    }
}

// An interrupt only ends the sleep of main(), which then checks everything itself. The handler
// switches its interrupt off, because the cause is still there. The other interrupt stays on.
volatile bool is_woken;

static void wake_by_timer(void) {
    REG(NVIC_DISABLE) = IRQ_TIMER;
    is_woken = true;
}

static void wake_by_usb(void) {
    REG(NVIC_DISABLE) = IRQ_USB;
    is_woken = true;
}

__attribute__((section(".vectors.table"), used)) void *const vectors[16 + 6] = {
    stack_top, start, fault, fault, fault, fault, fault, fault, fault, fault, fault,
    fault,     fault, fault, fault, fault, wake_by_timer, fault, fault, fault, fault, wake_by_usb,
};

// The compiler inserts calls of these functions.
void *memset(void *to, int byte, uint32_t count) {
    for (uint8_t *at = to; count--;) *at++ = (uint8_t)byte;
    return to;
}

void *memcpy(void *to, const void *from, uint32_t count) {
    const uint8_t *source = from;
    for (uint8_t *at = to; count--;) *at++ = *source++;
    return to;
}

__attribute__((section(".vectors"))) void start(void) {
    const uint32_t *from = image_source;
    for (uint32_t *to = image_start; to < image_end;) *to++ = *from++;
    for (uint32_t *to = bss_start; to < bss_end;) *to++ = 0;
    main();
    fault();
}
