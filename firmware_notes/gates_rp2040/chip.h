// The registers of the RP2040 that this firmware uses, from the data sheet of the chip.

#ifndef CHIP_H
#define CHIP_H

#include <stdbool.h>
#include <stdint.h>

#define REG(address) (*(volatile uint32_t *)(address))
// A write to these addresses sets or clears single bits of the register.
#define SET_BITS(address) REG((address) + 0x2000)
#define CLEAR_BITS(address) REG((address) + 0x3000)

#define RESETS_RESET 0x4000C000u
#define RESETS_DONE 0x4000C008u
#define BLOCK_ADC (1u << 0)
#define BLOCK_DMA (1u << 2)
#define BLOCK_IO (1u << 5)
#define BLOCK_PADS (1u << 8)
#define BLOCK_PIO0 (1u << 10)
#define BLOCK_PLL_SYS (1u << 12)
#define BLOCK_PLL_USB (1u << 13)
#define BLOCK_TIMER (1u << 21)
#define BLOCK_USB (1u << 24)

#define CLK_REF_CTRL 0x40008030u
#define CLK_REF_SELECTED 0x40008038u
#define CLK_SYS_CTRL 0x4000803Cu
#define CLK_SYS_SELECTED 0x40008044u
#define CLK_USB_CTRL 0x40008054u
#define CLK_ADC_CTRL 0x40008060u
#define XOSC_CTRL 0x40024000u
#define XOSC_STATUS 0x40024004u
#define XOSC_STARTUP 0x4002400Cu
#define PLL_SYS 0x40028000u
#define PLL_USB 0x4002C000u

#define GPIO_CTRL(pin) (0x40014004u + 8 * (pin))
#define FUNCTION_SIO 5u
#define INPUT_FORCED_LOW (2u << 16)
#define INPUT_FORCED_HIGH (3u << 16)
#define PAD(pin) (0x4001C004u + 4 * (pin))
#define PAD_INPUT 0x40u
#define PAD_PULL_UP 0x08u
#define PAD_PULL_DOWN 0x04u
#define PAD_HYSTERESIS 0x02u
#define PAD_4_MA 0x10u
#define SIO_IN 0xD0000004u
#define SIO_OUT_SET 0xD0000014u
#define SIO_OUT_CLEAR 0xD0000018u
#define SIO_OUT_ENABLE_SET 0xD0000024u
#define SIO_OUT_ENABLE_CLEAR 0xD0000028u

#define PIO0 0x50200000u
#define PIO_CTRL (PIO0 + 0x00)
#define PIO_FSTAT (PIO0 + 0x04)
#define PIO_FDEBUG (PIO0 + 0x08)
#define PIO_TX(machine) (PIO0 + 0x10 + 4 * (machine))
#define PIO_RX(machine) (PIO0 + 0x20 + 4 * (machine))
#define PIO_PROGRAM (PIO0 + 0x48)
#define SM_CLKDIV(machine) (PIO0 + 0xC8 + 0x18 * (machine))
#define SM_EXECCTRL(machine) (PIO0 + 0xCC + 0x18 * (machine))
#define SM_SHIFTCTRL(machine) (PIO0 + 0xD0 + 0x18 * (machine))
#define SM_INSTR(machine) (PIO0 + 0xD8 + 0x18 * (machine))

#define DMA_READ(channel) (0x50000000u + 0x40 * (channel))
#define DMA_WRITE(channel) (0x50000004u + 0x40 * (channel))
#define DMA_COUNT(channel) (0x50000008u + 0x40 * (channel))
#define DMA_CTRL_TRIGGER(channel) (0x5000000Cu + 0x40 * (channel))
#define DMA_CTRL(channel) (0x50000010u + 0x40 * (channel))
#define DMA_REQUEST_PIO0_RX(machine) (4u + (machine))
#define BUS_PRIORITY 0x40030000u
#define BUS_PRIORITY_DMA 0x1100u

#define ADC_CS 0x4004C000u
#define ADC_RESULT 0x4004C004u
#define ADC_ON (1u << 0)
#define ADC_START (1u << 2)
#define ADC_READY (1u << 8)
#define ADC_INPUT_SHIFT 12
#define FIRST_ANALOG_PIN 26

#define TIMER_LOW 0x40054028u
#define TIMER_ALARM 0x40054010u
#define TIMER_INTR 0x40054034u
#define TIMER_INTE 0x40054038u

#define CHIP_RESET 0x40064008u
#define CHIP_RESET_BY_POWER (1u << 8)
#define CHIP_RESET_BY_PIN (1u << 16)

#define PSM_WATCHDOG_RESETS 0x40010008u
#define WATCHDOG_CTRL 0x40058000u
#define WATCHDOG_LOAD 0x40058004u
#define WATCHDOG_REASON 0x40058008u
#define WATCHDOG_REASON_TIMER 1u
#define WATCHDOG_SCRATCH 0x4005800Cu
#define WATCHDOG_TICK 0x4005802Cu

#define NVIC_ENABLE 0xE000E100u
#define NVIC_DISABLE 0xE000E180u
#define IRQ_TIMER (1u << 0)
#define IRQ_USB (1u << 5)

#endif
