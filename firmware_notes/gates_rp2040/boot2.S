// The second stage of the start: the boot program of the chip reads these 256 bytes from the flash,
// checks their sum and runs them. They prepare the flash for reading with command 03, which every
// flash chip knows, and jump to the vector table after them. make_uf2.py writes the sum.

    .syntax unified
    .cpu cortex-m0plus
    .thumb
    .section .boot2, "ax"

    ldr r3, =0x18000000     // the serial interface of the flash
    movs r1, #0
    str r1, [r3, #0x08]     // off during the setup
    movs r1, #4
    str r1, [r3, #0x14]     // a quarter of the system clock
    ldr r1, =0x001F0300     // plain serial, frames of 32 bits, send then receive
    str r1, [r3, #0x00]
    ldr r1, =0x03000218     // command 03, 8 bits of it, 24 bits of address
    ldr r0, =0x180000F4
    str r1, [r0]
    movs r1, #0
    str r1, [r3, #0x04]
    movs r1, #1
    str r1, [r3, #0x08]

    ldr r0, =0x10000100     // the vector table
    ldr r1, =0xE000ED08
    str r0, [r1]
    ldmia r0!, {r1, r2}
    msr msp, r1
    bx r2
    .ltorg
