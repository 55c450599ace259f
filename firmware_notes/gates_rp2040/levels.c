// There are three analog pins for four voltages, so both trimmers share one pin. The wire of each
// trimmer comes through a resistor in the gate to its own pin, and goes through a second resistor
// to the shared pin. If the pin of one gate is driven low, the shared pin shows a third of the
// voltage of the other trimmer.

#include "levels.h"

#include "chip.h"
#include "settings.h"
#include "stamps.h"
#include "usb.h"

#define EVERY (COUNTER_HZ / 10)
#define ASKED_FOR (2u * COUNTER_HZ)
#define SETTLED_AFTER_US 100 // ten times the time that 67 kohm and a metre of cable need

Levels levels[2];

static bool wanted;
static uint32_t asked, told;

static const uint8_t light_pin[2] = {PIN_LIGHT_A, PIN_LIGHT_B};
static const uint8_t trimmer_pin[2] = {PIN_TRIMMER_A, PIN_TRIMMER_B};

static void free_pin(uint32_t pin) {
    REG(PAD(pin)) = PAD_4_MA; // no digital input and no pull resistors
    REG(GPIO_CTRL(pin)) = FUNCTION_SIO;
}

void start_levels(void) {
    REG(CLK_ADC_CTRL) = 1u << 11; // PLL_USB
    wake_blocks(BLOCK_ADC);
    REG(SIO_OUT_CLEAR) = 1u << PIN_TRIMMER_A | 1u << PIN_TRIMMER_B;
    for (int gate = 0; gate < 2; gate++) {
        free_pin(light_pin[gate]);
        free_pin(trimmer_pin[gate]);
    }
    free_pin(PIN_TRIMMERS);
}

// A conversion takes 2 us. If the ADC does not start, the program must not wait for ever.
static void wait_until_ready(void) {
    const uint32_t start = REG(TIMER_LOW);
    while (!(REG(ADC_CS) & ADC_READY) && REG(TIMER_LOW) - start < 20) {
    }
}

static uint32_t read_mv(uint32_t pin) {
    const uint32_t input = (pin - FIRST_ANALOG_PIN) << ADC_INPUT_SHIFT;
    REG(ADC_CS) = ADC_ON | input;
    wait_until_ready();
    for (int n = 0; n < 2; n++) { // the first conversion still contains charge of another pin
        REG(ADC_CS) = ADC_ON | ADC_START | input;
        wait_until_ready();
    }
    return (2 * REG(ADC_RESULT) + 1) * ADC_REFERENCE_MV >> 13; // the middle of the step
}

static uint32_t read_trimmer_mv(int gate) {
    const uint32_t other = 1u << trimmer_pin[!gate];
    REG(SIO_OUT_ENABLE_SET) = other;
    const uint32_t start = REG(TIMER_LOW);
    while (REG(TIMER_LOW) - start < SETTLED_AFTER_US) {
    }
    const uint32_t mv = 3 * read_mv(PIN_TRIMMERS);
    REG(SIO_OUT_ENABLE_CLEAR) = other;
    return mv;
}

// The wiper of the trimmer has its own resistance. R4 and R5 divide the voltage between the wiper
// and OUT.
static void set_thresholds(Levels *gate, uint32_t wiper_mv) {
    const uint32_t mv = wiper_mv < SUPPLY_MV ? wiper_mv : SUPPLY_MV;
    const uint32_t below = (GATES_R3 + GATES_RV1) * mv / SUPPLY_MV;
    const uint32_t to_wiper = GATES_R4 + below * (SUPPLY_MV - mv) / SUPPLY_MV;
    const uint32_t by_wiper = GATES_R5 * mv, all = to_wiper + GATES_R5;
    gate->lower = (by_wiper + to_wiper * GATES_OUT_LOW_MV) / all;
    gate->upper = (by_wiper + to_wiper * GATES_OUT_HIGH_MV) / all;
}

void ask_for_levels(uint32_t now) {
    asked = now;
    if (wanted) return;
    wanted = true;
    told = (now - EVERY) & COUNTER_MASK;
}

bool measure_levels(uint32_t now) {
    if (!is_port_open() || steps_between(asked, now) >= ASKED_FOR) wanted = false;
    if (!wanted || steps_between(told, now) < EVERY) return false;
    told = now;
    for (int gate = 0; gate < 2; gate++) {
        levels[gate].light = read_mv(light_pin[gate]);
        set_thresholds(&levels[gate], read_trimmer_mv(gate));
    }
    REG(ADC_CS) = 0;
    return true;
}
