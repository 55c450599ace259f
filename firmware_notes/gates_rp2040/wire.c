#include "wire.h"

#include "clocks.h"
#include "levels.h"
#include "settings.h"
#include "usb.h"

// A packet contains whole lines. So no line is cut if packets are dropped when the port closes.
#define PACKETS 64
static struct {
    uint8_t bytes[PACKET_BYTES];
    uint8_t count;
} packets[PACKETS];
static uint32_t first, count;

static uint8_t line[PACKET_BYTES];
static uint32_t length;
static uint16_t sequence;
static bool was_open;
static bool hello_wanted, self_test_wanted, levels_wanted;

static void put(char sign) { line[length++] = (uint8_t)sign; }

static void put_text(const char *text) {
    while (*text) put(*text++);
}

static void put_hex(uint32_t number, int digits) {
    while (digits--) put("0123456789ABCDEF"[number >> 4 * digits & 0xF]);
}

static void put_decimal(uint32_t number) {
    char digits[10];
    int n = 0;
    do digits[n++] = (char)('0' + number % 10);
    while (number /= 10);
    while (n) put(digits[--n]);
}

// CRC-16/CCITT-FALSE, four bits at a time.
static uint16_t crc_of_line(void) {
    static const uint16_t table[16] = {
        0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7,
        0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF,
    };
    uint16_t crc = 0xFFFF;
    for (uint32_t n = 0; n < length; n++) {
        crc = (uint16_t)(crc << 4 ^ table[crc >> 12 ^ line[n] >> 4]);
        crc = (uint16_t)(crc << 4 ^ table[crc >> 12 ^ (line[n] & 0xF)]);
    }
    return crc;
}

bool has_room(void) { return !is_port_open() || count < PACKETS - 2; }

static void queue_line(void) {
    if (!is_port_open()) return;
    uint32_t last = (first + count - 1) % PACKETS;
    if (count == 0 || packets[last].count + length > PACKET_BYTES) {
        if (count == PACKETS) return; // the sequence number shows the gap
        last = (first + count++) % PACKETS;
        packets[last].count = 0;
    }
    for (uint32_t n = 0; n < length; n++) packets[last].bytes[packets[last].count++] = line[n];
}

static void end_line(void) {
    const uint16_t crc = crc_of_line();
    put(' ');
    put_hex(crc, 4);
    put('\n');
    queue_line();
    length = 0;
}

static void begin_event(char kind) {
    put(kind);
    put(' ');
    put_hex(sequence++, 4);
    put(' ');
}

void send_hello(void) {
    put_text("H 1 ");
    put_decimal(COUNTER_HZ);
    put(' ');
    put_decimal(COUNTER_BITS);
    put_text(" gates-rp2040 " FIRMWARE_VERSION "+analog+");
    put_text(cause_of_start());
    end_line();
}

void send_edge(int gate, const Edge *edge) {
    begin_event(edge->late ? 'L' : 'E');
    put("AB"[gate]);
    put(' ');
    put(edge->blocked ? '1' : '0');
    put(' ');
    put_hex(edge->counter, 8);
    end_line();
}

void send_beat(uint32_t counter) {
    begin_event('T');
    put_hex(counter, 8);
    put(' ');
    put(is_told_blocked(0) ? '1' : '0');
    put(is_told_blocked(1) ? '1' : '0');
    put(' ');
    put_hex(edges_lost(), 4);
    end_line();
}

void send_levels(void) {
    put('V');
    for (int gate = 0; gate < 2; gate++) {
        const uint32_t fields[] = {levels[gate].light, levels[gate].lower, levels[gate].upper};
        for (int n = 0; n < 3; n++) {
            put(' ');
            put_hex(fields[n], 4);
        }
    }
    end_line();
}

static void listen(void) {
    static uint8_t heard;
    uint8_t byte;
    while (receive_byte(&byte)) {
        if (byte == '\r') continue;
        if (byte == '\n' && heard == '?') hello_wanted = true;
        if (byte == '\n' && heard == '!') self_test_wanted = true;
        if (byte == '\n' && heard == '=') levels_wanted = true;
        heard = byte;
    }
}

void flush_wire(void) {
    const bool open = is_port_open();
    if (open && !was_open) hello_wanted = true;
    if (!open) count = 0;
    was_open = open;
    listen();
    if (count && send_packet(packets[first].bytes, packets[first].count)) {
        first = (first + 1) % PACKETS;
        count--;
    }
}

static bool was(bool *wanted) {
    const bool so = *wanted;
    *wanted = false;
    return so;
}

bool is_hello_wanted(void) { return was(&hello_wanted); }

bool is_self_test_wanted(void) { return was(&self_test_wanted); }

bool are_levels_wanted(void) { return was(&levels_wanted); }
