// USB with three endpoints and the control endpoint. One endpoint sends lines to the computer, and
// one receives bytes. The USB class requires a third endpoint, which is not used. No function here
// waits.

#include "usb.h"

#include "chip.h"
#include "clocks.h"

#define USB_RAM 0x50100000u
#define SETUP_PACKET USB_RAM
#define ENDPOINT_CTRL(number, from_host) (USB_RAM + 8 * (number) + 4 * (from_host))
#define BUFFER_CTRL(number, from_host) (USB_RAM + 0x80 + 8 * (number) + 4 * (from_host))
#define CONTROL_BUFFER 0x100u
#define LINES_BUFFER 0x180u
#define HOST_BUFFER 0x1C0u
#define UNUSED_BUFFER 0x200u

#define USB_ADDRESS 0x50110000u
#define USB_MAIN_CTRL 0x50110040u
#define USB_SIE_CTRL 0x5011004Cu
#define USB_SIE_STATUS 0x50110050u
#define USB_BUFFER_DONE 0x50110058u
#define USB_STALL_ARM 0x50110068u
#define USB_MUXING 0x50110074u
#define USB_POWER 0x50110078u
#define USB_INTE 0x50110090u
#define SIE_BUS_RESET (1u << 19)
#define SIE_SETUP (1u << 17)

#define BUFFER_FULL (1u << 15)
#define BUFFER_DATA1 (1u << 13)
#define BUFFER_STALL (1u << 11)
#define BUFFER_AVAILABLE (1u << 10)
#define BUFFER_LENGTH 0x3FFu

enum { CONTROL = 0, NOTICES = 1, PORT = 2 };
enum { TO_HOST = 0, FROM_HOST = 1 };
#define DONE(number, from_host) (1u << (2 * (number) + (from_host)))

static const uint8_t device_descriptor[] = {
    18, 1, 0x00, 0x02,      // USB 2.0
    0xEF, 0x02, 0x01,       // an association groups the functions
    64,                     // bytes in a packet of the control endpoint
    0x8A, 0x2E, 0x0A, 0x00, // maker of the chip, serial port
    0x00, 0x01, 1, 2, 0, 1, // version; names of maker and product; no number; one configuration
};

#define WORD(n) (n) & 0xFF, (n) >> 8
#define CONFIGURATION_BYTES 75
static const uint8_t configuration_descriptor[CONFIGURATION_BYTES] = {
    9, 2, WORD(CONFIGURATION_BYTES), 2, 1, 0, 0x80, 50, // powered by the bus, 100 mA
    8, 11, 0, 2, 2, 2, 0, 0,                            // both interfaces are one serial port
    9, 4, 0, 0, 1, 2, 2, 0, 0,
    5, 36, 0, WORD(0x0120), // class version 1.20
    5, 36, 1, 0, 1,
    4, 36, 2, 2,
    5, 36, 6, 0, 1,
    7, 5, 0x80 | NOTICES, 3, WORD(8), 16,
    9, 4, 1, 0, 2, 10, 0, 0, 0,
    7, 5, PORT, 2, WORD(64), 0,
    7, 5, 0x80 | PORT, 2, WORD(64), 0,
};

static const uint8_t language_descriptor[] = {4, 3, 0x09, 0x04};
static const char *const names[] = {"chrono", "light gates"};

static const uint8_t *reply; // the part that is not sent yet
static uint32_t reply_bytes;
static bool reply_ends_short; // the computer asked for more bytes than the reply has
static uint8_t scratch[64];
static uint8_t line_coding[7] = {0x00, 0xC2, 0x01, 0x00, 0, 0, 8}; // stored, but not used
static bool expects_line_coding;
static uint32_t wanted_address;
static bool configured, open;
static bool data1_of[3][2]; // the next packet is DATA1 and not DATA0
static bool lines_pending;
static uint8_t received[64];
static uint32_t received_count, received_taken;

// The clock of USB is slower than the clock of the processor. So the code first describes a buffer
// and releases it some cycles later.
static void give_buffer(int number, int from_host, uint32_t description) {
    if (data1_of[number][from_host]) description |= BUFFER_DATA1;
    data1_of[number][from_host] = !data1_of[number][from_host];
    REG(BUFFER_CTRL(number, from_host)) = description;
    for (int n = 0; n < 12; n++) __asm volatile("nop");
    REG(BUFFER_CTRL(number, from_host)) = description | BUFFER_AVAILABLE;
}

// The RAM of USB accepts only whole words.
static void copy_to_usb(uint32_t place, const uint8_t *bytes, uint32_t count) {
    for (uint32_t at = 0; at < count; at += 4) {
        uint32_t word = 0;
        for (uint32_t n = 0; n < 4 && at + n < count; n++) word |= (uint32_t)bytes[at + n] << 8 * n;
        REG(USB_RAM + place + at) = word;
    }
}

static void copy_from_usb(uint8_t *bytes, uint32_t place, uint32_t count) {
    for (uint32_t at = 0; at < count; at++)
        bytes[at] = (uint8_t)(REG(USB_RAM + place + (at & ~3u)) >> 8 * (at & 3));
}

static void give_to_host(int number, uint32_t place, const uint8_t *bytes, uint32_t count) {
    copy_to_usb(place, bytes, count);
    give_buffer(number, TO_HOST, count | BUFFER_FULL);
}

static void send_reply_part(void) {
    const uint32_t count = reply_bytes < 64 ? reply_bytes : 64;
    give_to_host(CONTROL, CONTROL_BUFFER, reply, count);
    reply += count;
    reply_bytes -= count;
    if (count < 64) reply_ends_short = false;
}

static void start_reply(const uint8_t *bytes, uint32_t count, uint32_t asked) {
    reply = bytes;
    reply_bytes = count < asked ? count : asked;
    reply_ends_short = count < asked;
    send_reply_part();
}

// Send the empty packet that accepts a request without a reply.
static void agree(void) { start_reply(scratch, 0, 0); }

static void refuse(void) {
    REG(USB_STALL_ARM) = 3;
    REG(BUFFER_CTRL(CONTROL, TO_HOST)) = BUFFER_STALL;
    REG(BUFFER_CTRL(CONTROL, FROM_HOST)) = BUFFER_STALL;
}

static void describe(uint32_t value, uint32_t asked) {
    const uint32_t index = value & 0xFF;
    switch (value >> 8) {
        case 1: start_reply(device_descriptor, sizeof device_descriptor, asked); return;
        case 2: start_reply(configuration_descriptor, CONFIGURATION_BYTES, asked); return;
        case 3: break;
        default: refuse(); return; // a device of this speed has no other descriptors
    }
    if (index == 0) {
        start_reply(language_descriptor, sizeof language_descriptor, asked);
        return;
    }
    if (index > 2) {
        refuse();
        return;
    }
    uint32_t count = 2;
    for (const char *name = names[index - 1]; *name; name++) {
        scratch[count++] = (uint8_t)*name;
        scratch[count++] = 0;
    }
    scratch[0] = (uint8_t)count;
    scratch[1] = 3;
    start_reply(scratch, count, asked);
}

static void expect_bytes(void) { give_buffer(PORT, FROM_HOST, 64); }

static void configure(void) {
    configured = true;
    open = false;
    lines_pending = false;
    received_count = received_taken = 0;
    data1_of[PORT][TO_HOST] = data1_of[PORT][FROM_HOST] = false;
    REG(BUFFER_CTRL(PORT, TO_HOST)) = 0;
    expect_bytes();
}

static void answer_standard(uint32_t request, uint32_t value, uint32_t index, uint32_t asked) {
    switch (request) {
        case 0: // status
            scratch[0] = scratch[1] = 0;
            start_reply(scratch, 2, asked);
            return;
        case 1: // the halt of an endpoint ends: begin again with DATA0
            if (value == 0 && (index & 0x0F) == PORT) data1_of[PORT][!(index & 0x80)] = false;
            agree();
            return;
        case 5: wanted_address = value; agree(); return;
        case 6: describe(value, asked); return;
        case 8: scratch[0] = configured; start_reply(scratch, 1, asked); return;
        case 9:
            if (value) configure();
            else configured = open = false;
            agree();
            return;
        case 10: scratch[0] = 0; start_reply(scratch, 1, asked); return;
        case 11: agree(); return;
        default: refuse();
    }
}

static void answer_class(uint32_t request, uint32_t value, uint32_t asked) {
    switch (request) {
        case 0x20: // the baud rate and other values follow
            expects_line_coding = true;
            data1_of[CONTROL][FROM_HOST] = true;
            give_buffer(CONTROL, FROM_HOST, 64);
            return;
        case 0x21: start_reply(line_coding, sizeof line_coding, asked); return;
        case 0x22: open = value & 1; agree(); return;
        case 0x23: agree(); return;
        default: refuse();
    }
}

static void answer_setup(void) {
    const uint32_t low = REG(SETUP_PACKET), high = REG(SETUP_PACKET + 4);
    const uint32_t kind = low & 0xFF, request = low >> 8 & 0xFF, value = low >> 16;
    data1_of[CONTROL][TO_HOST] = data1_of[CONTROL][FROM_HOST] = true;
    expects_line_coding = false;
    if ((kind & 0x60) == 0x00) answer_standard(request, value, high & 0xFFFF, high >> 16);
    else if ((kind & 0x60) == 0x20) answer_class(request, value, high >> 16);
    else refuse();
}

// The computer has read a part of the reply. Send the next part, or wait for the empty packet that
// ends the reply.
static void go_on_with_reply(void) {
    if (wanted_address) {
        REG(USB_ADDRESS) = wanted_address;
        wanted_address = 0;
    }
    if (reply_bytes || reply_ends_short) {
        send_reply_part();
        return;
    }
    data1_of[CONTROL][FROM_HOST] = true;
    give_buffer(CONTROL, FROM_HOST, 64);
}

static void take_control_bytes(void) {
    if (!expects_line_coding) return;
    expects_line_coding = false;
    copy_from_usb(line_coding, CONTROL_BUFFER, sizeof line_coding);
    data1_of[CONTROL][TO_HOST] = true;
    agree();
}

static void take_port_bytes(void) {
    received_count = REG(BUFFER_CTRL(PORT, FROM_HOST)) & BUFFER_LENGTH;
    received_taken = 0;
    copy_from_usb(received, HOST_BUFFER, received_count);
    if (!received_count) expect_bytes();
}

static void begin_anew(void) {
    REG(USB_ADDRESS) = 0;
    wanted_address = 0;
    reply_bytes = 0;
    reply_ends_short = false;
    configured = open = lines_pending = expects_line_coding = false;
    received_count = received_taken = 0;
}

void start_usb(void) {
    wake_blocks(BLOCK_USB);
    for (uint32_t place = 0; place < 0x240; place += 4) REG(USB_RAM + place) = 0;
    REG(USB_MUXING) = 1u << 0 | 1u << 3;
    REG(USB_POWER) = 1u << 2 | 1u << 3; // as if USB had its supply voltage
    REG(USB_MAIN_CTRL) = 1;
    REG(USB_SIE_CTRL) = 1u << 29; // report every packet of the control endpoint
    REG(USB_INTE) = 1u << 4 | 1u << 12 | 1u << 16;
    const uint32_t on = 1u << 31 | 1u << 29;
    REG(ENDPOINT_CTRL(NOTICES, TO_HOST)) = on | 3u << 26 | UNUSED_BUFFER;
    REG(ENDPOINT_CTRL(PORT, TO_HOST)) = on | 2u << 26 | LINES_BUFFER;
    REG(ENDPOINT_CTRL(PORT, FROM_HOST)) = on | 2u << 26 | HOST_BUFFER;
    SET_BITS(USB_SIE_CTRL) = 1u << 16; // the pull-up shows the computer that a device is there
}

void serve_usb(void) {
    const uint32_t status = REG(USB_SIE_STATUS);
    if (status & SIE_BUS_RESET) {
        REG(USB_SIE_STATUS) = SIE_BUS_RESET;
        begin_anew();
    }
    const uint32_t done = REG(USB_BUFFER_DONE);
    REG(USB_BUFFER_DONE) = done;
    if (done & DONE(CONTROL, TO_HOST)) go_on_with_reply();
    if (done & DONE(CONTROL, FROM_HOST)) take_control_bytes();
    if (done & DONE(PORT, TO_HOST)) lines_pending = false;
    if (done & DONE(PORT, FROM_HOST)) take_port_bytes();
    if (status & SIE_SETUP) {
        REG(USB_SIE_STATUS) = SIE_SETUP;
        answer_setup();
    }
}

bool is_port_open(void) { return configured && open; }

bool send_packet(const uint8_t *bytes, uint32_t count) {
    if (!configured || lines_pending) return false;
    lines_pending = true;
    give_to_host(PORT, LINES_BUFFER, bytes, count);
    return true;
}

bool receive_byte(uint8_t *byte) {
    if (received_taken == received_count) return false;
    *byte = received[received_taken++];
    if (received_taken == received_count) expect_bytes();
    return true;
}
