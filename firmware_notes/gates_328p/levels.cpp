#include "levels.h"

#include <avr/io.h>

#include "settings.h"

Levels levels[2];

namespace {

constexpr uint32_t EVERY = F_CPU / 10, ASKED_FOR = 2 * F_CPU;
constexpr uint8_t INPUTS = 4; // A0 light of A, A1 trimmer of A, A2 light of B, A3 trimmer of B
constexpr uint8_t RUN = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); // 125 kHz

enum Part { RESTING, WAITING, MEASURING } part;
uint32_t asked, told;
uint16_t readings[INPUTS];
uint8_t input;
bool is_settled; // the first conversion after a change still contains charge of the old input

void convert() {
    ADMUX = _BV(REFS0) | input; // the supply voltage is the reference
    ADCSRA = RUN | _BV(ADSC);
}

// Return the voltage in the middle of the step of the converter.
uint16_t to_mv(uint16_t reading) { return (2 * reading + 1) * uint32_t(SUPPLY_MV) >> 11; }

// The wiper of the trimmer has its own resistance. R4 and R5 divide the voltage between the wiper
// and OUT.
void set_thresholds(Levels &gate, uint16_t wiper_mv) {
    const uint32_t below = uint32_t(GATES_R3 + GATES_RV1) * wiper_mv / SUPPLY_MV;
    const uint32_t to_wiper = GATES_R4 + below * (SUPPLY_MV - wiper_mv) / SUPPLY_MV;
    const uint32_t by_wiper = uint32_t(GATES_R5) * wiper_mv, all = to_wiper + GATES_R5;
    gate.lower = (by_wiper + to_wiper * GATES_OUT_LOW_MV) / all;
    gate.upper = (by_wiper + to_wiper * GATES_OUT_HIGH_MV) / all;
}

void take_readings() {
    for (uint8_t gate = 0; gate < 2; gate++) {
        levels[gate].light = to_mv(readings[2 * gate]);
        set_thresholds(levels[gate], to_mv(readings[2 * gate + 1]));
    }
}

} // namespace

void ask_for_levels(uint32_t now) {
    asked = now;
    if (part != RESTING) return;
    DIDR0 = (1 << INPUTS) - 1; // no digital input buffer for analog voltages
    part = WAITING;
    told = now - EVERY;
}

bool measure_levels(uint32_t now) {
    if (part == RESTING) return false;
    if (now - asked >= ASKED_FOR) {
        ADCSRA = 0;
        part = RESTING;
        return false;
    }
    if (part == WAITING) {
        if (now - told < EVERY) return false;
        told = now;
        part = MEASURING;
        input = 0;
        is_settled = false;
        convert();
        return false;
    }
    if (ADCSRA & _BV(ADSC)) return false;
    if (is_settled) readings[input++] = ADC;
    is_settled = !is_settled;
    if (input < INPUTS) {
        convert();
        return false;
    }
    take_readings();
    part = WAITING;
    return true;
}
