#include "wire.h"

#include <avr/io.h>
#include <avr/pgmspace.h>

#include "levels.h"
#include "settings.h"

namespace {

const char HELLO_VERSION[] PROGMEM = "H 1 ";
#if GATES_WIRING == ON_ICP
const char HELLO_NAME[] PROGMEM = " 32 gates-328p-icp 1.4+analog";
#else
const char HELLO_NAME[] PROGMEM = " 32 gates-328p-int 1.4+analog";
#endif

const char CAUSES[][11] PROGMEM = {"+power", "+brown-out", "+watchdog", "+reset-pin", "+unknown"};

uint16_t sequence;
uint16_t crc;
bool hello_asked, test_asked, levels_asked;
char heard;

// Add one byte to the CRC-16/CCITT-FALSE (poly 1021, most significant bit first). The code works on
// bytes, because this chip shifts bytes fast.
void add_to_crc(uint8_t byte) {
    uint8_t high = uint8_t(crc >> 8) ^ byte;
    high ^= high >> 4;
    const uint8_t new_high = uint8_t(crc) ^ uint8_t(high << 4) ^ uint8_t(high >> 3);
    const uint8_t new_low = uint8_t(high << 5) ^ high;
    crc = uint16_t(new_high) << 8 | new_low;
}

void listen() {
    if (!(UCSR0A & _BV(RXC0))) return;
    const char byte = UDR0;
    if (byte == '\r') return;
    if (byte == '\n' && heard == '?') hello_asked = true;
    if (byte == '\n' && heard == '!') test_asked = true;
    if (byte == '\n' && heard == '=') levels_asked = true;
    heard = byte;
}

void put(char byte) {
    keep_time();
    listen();
    add_to_crc(byte);
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = byte;
}

void put_hex(uint8_t byte) {
    const uint8_t digits[2] = {uint8_t(byte >> 4), uint8_t(byte & 0x0F)};
    for (uint8_t digit : digits) put(digit < 10 ? '0' + digit : 'A' - 10 + digit);
}

void put_hex(uint16_t word) {
    put_hex(uint8_t(word >> 8));
    put_hex(uint8_t(word));
}

void put_hex(uint32_t counter) {
    put_hex(uint16_t(counter >> 16));
    put_hex(uint16_t(counter));
}

void put_field(uint16_t word) {
    put(' ');
    put_hex(word);
}

void put_text(const char *text) {
    while (const char byte = pgm_read_byte(text++)) put(byte);
}

void put_decimal(uint32_t number) {
    char digits[10];
    uint8_t count = 0;
    do {
        digits[count++] = '0' + number % 10;
        number /= 10;
    } while (number);
    while (count) put(digits[--count]);
}

void begin_line() { crc = 0xFFFF; }

void end_line() {
    const uint16_t sum = crc;
    put(' ');
    put_hex(sum);
    put('\n');
}

void begin_event(char kind) {
    begin_line();
    put(kind);
    put(' ');
    put_hex(sequence++);
    put(' ');
}

} // namespace

void start_wire() {
    UCSR0A = _BV(U2X0);
    UBRR0H = 0;
    UBRR0L = F_CPU / 8 / GATES_BAUD - 1;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(TXEN0) | _BV(RXEN0);
    put('\n'); // ends a line that a reset may have interrupted
}

void send_hello(Start cause) {
    hello_asked = false;
    begin_line();
    put_text(HELLO_VERSION);
    put_decimal(F_CPU);
    put_text(HELLO_NAME);
    put_text(CAUSES[cause]);
    end_line();
}

void send_edge(const Edge &edge) {
    begin_event(edge.late ? 'L' : 'E');
    put(edge.gate);
    put(' ');
    put('0' + edge.blocked);
    put(' ');
    put_hex(edge.counter);
    end_line();
}

void send_beat(const State &state) {
    begin_event('T');
    put_hex(state.counter);
    put(' ');
    put('0' + state.a_blocked);
    put('0' + state.b_blocked);
    put(' ');
    put_hex(state.lost);
    end_line();
}

void send_levels() {
    begin_line();
    put('V');
    for (const Levels &gate : levels) {
        put_field(gate.light);
        put_field(gate.lower);
        put_field(gate.upper);
    }
    end_line();
}

bool hello_wanted() {
    listen();
    return hello_asked;
}

bool self_test_wanted() {
    const bool asked = test_asked;
    test_asked = false;
    return asked;
}

bool levels_wanted() {
    const bool asked = levels_asked;
    levels_asked = false;
    return asked;
}
