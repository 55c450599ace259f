// Make pulses at exactly known intervals, to test the timing of a light gate board.
// This sketch runs on a second ATmega328P board at 16 MHz. D8 simulates gate A, D9 simulates gate B.
// High means blocked. If the gate board expects low for blocked, set BLOCKED_HIGH to 0.

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

#define BLOCKED_HIGH 1

static const uint8_t A = _BV(PORTB0);
static const uint8_t B = _BV(PORTB1);
static const uint8_t REST = BLOCKED_HIGH ? 0 : A | B;

static const uint32_t CYCLES_PER_MS = 16000;

// Write four states to the pins. The intervals 1-2 and 3-4 have `outer_turns`, the interval 2-3 has
// `middle_turns`. A wait of n turns takes 4n - 1 cycles, and the write takes 1 cycle. So each
// interval is 4n cycles, and the outer intervals are SPARE cycles longer.
template <uint8_t SPARE>
static void four_states(const uint8_t *states, uint16_t outer_turns, uint16_t middle_turns) {
  uint16_t last_turns = outer_turns;
  uint8_t s0 = states[0] ^ REST, s1 = states[1] ^ REST, s2 = states[2] ^ REST, s3 = states[3] ^ REST;
  cli();
  asm volatile(
      "out %[port], %[s0]\n"
      "1: sbiw %[outer], 1\n"
      "brne 1b\n"
      ".rept %[spare]\n nop\n .endr\n"
      "out %[port], %[s1]\n"
      "2: sbiw %[middle], 1\n"
      "brne 2b\n"
      "out %[port], %[s2]\n"
      "3: sbiw %[last], 1\n"
      "brne 3b\n"
      ".rept %[spare]\n nop\n .endr\n"
      "out %[port], %[s3]\n"
      : [outer] "+w"(outer_turns), [middle] "+w"(middle_turns), [last] "+w"(last_turns)
      : [port] "I"(_SFR_IO_ADDR(PORTB)), [spare] "n"(SPARE), [s0] "r"(s0), [s1] "r"(s1),
        [s2] "r"(s2), [s3] "r"(s3));
  sei();
}

// Simulate shots with a transit of 1.5, 5 and 15 ms. Each gate is blocked for 1 ms.
static void known_transits() {
  static const uint32_t transits[] = {3 * CYCLES_PER_MS / 2, 5 * CYCLES_PER_MS, 15 * CYCLES_PER_MS};
  static const uint8_t one_after_the_other[] = {A, 0, B, 0};
  for (uint32_t transit : transits)
    for (uint8_t shot = 0; shot < 20; shot++) {
      four_states<0>(one_after_the_other, CYCLES_PER_MS / 4, (transit - CYCLES_PER_MS) / 4);
      delay(300);
    }
}

static void one_gap(const uint8_t *states, uint16_t gap) {
  uint16_t block_turns = 2 * CYCLES_PER_MS / 4;
  switch (gap % 4) {
    case 0: four_states<0>(states, gap / 4, block_turns); break;
    case 1: four_states<1>(states, gap / 4, block_turns); break;
    case 2: four_states<2>(states, gap / 4, block_turns); break;
    case 3: four_states<3>(states, gap / 4, block_turns); break;
  }
}

// Block and clear both gates 4, 5, 6 ... 320 cycles apart: first A before B, then B before A.
static void sweep_gaps() {
  static const uint8_t a_first[] = {A, A | B, B, 0};
  static const uint8_t b_first[] = {B, A | B, A, 0};
  for (uint16_t gap = 4; gap <= 320; gap++) {
    one_gap(a_first, gap);
    delay(50);
    one_gap(b_first, gap);
    delay(50);
  }
}

void setup() {
  PORTB = (PORTB & ~(A | B)) | REST;
  DDRB |= A | B;
}

void loop() {
  delay(3000);
  known_transits();
  delay(3000);
  sweep_gaps();
}
