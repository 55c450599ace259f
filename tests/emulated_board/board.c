/* An ATmega328P at 16 MHz with two gates, emulated by simavr.
 *
 *   board FIRMWARE.elf SCRIPT [--pty] [--pace FACTOR] [--until CYCLE] [--seed NUMBER]
 *                             [--played FILE]
 *
 * SCRIPT holds one event a line, in the order of the cycles (counted from power-up):
 *
 *   CYCLE A 1        gate A's pin goes high          CYCLE B 0        gate B's pin goes low
 *   CYCLE reset      the reset button                CYCLE hang       the program is stuck
 *   CYCLE reset HEX  a reset that sets these flags in MCUSR (button: 02)
 *   CYCLE unplug A   gate A's cable is pulled out: a pull-up of the chip, else 10 kohm to
 *                    ground, gives the level
 *   CYCLE light A MV  the voltage at gate A's sensor; CYCLE trim A MV that at its trimmer
 *   CYCLE send HEX   bytes from the host
 *   CYCLE wire A RISE FALL JITTER INVERT    from here on gate A follows the pulse pin PB1, so many
 *                    cycles later, JITTER of them at random to and fro, upside down if INVERT is 1
 *
 * Gate A drives PD2, gate B drives PD3, and A xor B drives PB0, whatever the firmware uses.
 * The board's bytes go to standard output. With --pty they go to a pseudo-terminal whose name
 * is printed instead; the run waits for a line on standard input, and ends with its end.
 * --played writes what the program does to D8 and D9 as a script for another board's gates A and B.
 * --pace 1 is real time; without it the run is as fast as it can be.
 *
 * What simavr leaves to the caller is marked "simavr:" below.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <math.h>
#include <poll.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_interrupts.h>

enum { FREQUENCY = 16000000, TURN = FREQUENCY / 1000, INTERRUPT_ENTRY = 4 };
enum { RJMP_TO_ITSELF = 0xCFFF };
enum { PINB_ADDRESS = 0x23, PIND_ADDRESS = 0x29 };
enum { UCSR0A_ADDRESS = 0xC0, UCSR0B_ADDRESS = 0xC1, UBRR0L_ADDRESS = 0xC4 };
enum { PORTB_ADDRESS = 0x25, PORTD_ADDRESS = 0x2B, MCUSR_ADDRESS = 0x54 };
enum { BY_POWER = 0x01, BY_BUTTON = 0x02 };
enum { EIFR_ADDRESS = 0x3C, TCCR1B_ADDRESS = 0x81, OCR1AL_ADDRESS = 0x88 };
enum { UDRE0_BIT = 1 << 5, TXEN0_BIT = 1 << 3 };

enum kind { GATE_A, GATE_B, RESET, HANG, SEND, WIRE, UNPLUG, LIGHT };

struct event {
    uint64_t cycle;
    enum kind kind;
    int level;
    char bytes[64];
    size_t length;
    struct wire {
        double rise, fall, jitter; /* cycles */
        int inverted, connected;
    } wire;
};

static struct event *script;
static size_t events, done;

static avr_t *avr;
static int level[2];
enum { INPUTS = 4, SUPPLY_MV = 5000 };
static uint32_t analog_mv[INPUTS] = {1030, 467, 1030, 467}; /* A0 ... A3, as gate.md has them */
static struct wire wires[2];
static struct event coming[16]; /* what the wires bring, in order */
static size_t brought;
static int reset_asked, hang_asked;
static uint8_t reset_flags;
static long hung_at = -1;
static uint16_t hung_word;
static int out = STDOUT_FILENO, terminal = -1;

static void fail(const char *what, const char *which) {
    fprintf(stderr, "board: %s: %s\n", what, which);
    exit(2);
}

/* ---- the script ---- */

static int hex_bytes(const char *text, char *bytes, size_t room) {
    size_t length = 0;
    for (unsigned byte; length < room && sscanf(text, "%2x", &byte) == 1; text += 2)
        bytes[length++] = (char)byte;
    return (int)length;
}

static int read_event(const char *line, struct event *event) {
    char word[16], rest[160] = "";
    if (sscanf(line, "%" SCNu64 " %15s %159[^\n]", &event->cycle, word, rest) < 2) return 0;
    if (!strcmp(word, "A") || !strcmp(word, "B")) {
        event->kind = *word == 'A' ? GATE_A : GATE_B;
        event->level = *rest == '1';
        return *rest == '0' || *rest == '1';
    }
    if (!strcmp(word, "send")) {
        event->kind = SEND;
        event->length = hex_bytes(rest, event->bytes, sizeof event->bytes);
        return event->length > 0;
    }
    if (!strcmp(word, "wire")) {
        char gate;
        struct wire *wire = &event->wire;
        event->kind = WIRE;
        wire->connected = 1;
        return sscanf(rest, "%c %lf %lf %lf %d", &gate, &wire->rise, &wire->fall, &wire->jitter,
                      &wire->inverted) == 5 &&
               (event->level = gate == 'B', gate == 'A' || gate == 'B');
    }
    if (!strcmp(word, "light") || !strcmp(word, "trim")) {
        event->kind = LIGHT;
        event->level = 2 * (*rest == 'B') + (*word == 't');
        return (*rest == 'A' || *rest == 'B') &&
               (event->length = strtoul(rest + 1, NULL, 10)) <= SUPPLY_MV;
    }
    if (!strcmp(word, "unplug")) {
        event->kind = UNPLUG;
        event->level = *rest == 'B';
        return *rest == 'A' || *rest == 'B';
    }
    event->kind = strcmp(word, "reset") ? HANG : RESET;
    event->level = *rest ? (int)strtol(rest, NULL, 16) : BY_BUTTON;
    return event->kind == RESET || !strcmp(word, "hang");
}

static void read_script(const char *path) {
    FILE *file = fopen(path, "r");
    if (!file) fail(path, strerror(errno));
    char line[256];
    size_t room = 0;
    while (fgets(line, sizeof line, file)) {
        if (events == room) script = realloc(script, (room = 2 * room + 64) * sizeof *script);
        struct event *event = &script[events];
        memset(event, 0, sizeof *event);
        if (!read_event(line, event)) fail("not an event", line);
        if (events && event->cycle < event[-1].cycle) fail("out of order", line);
        events++;
    }
    fclose(file);
}

/* ---- pins ---- */

static void set_pin(char port, int pin, int value) {
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin), value);
}

/* simavr: a write to PORT sets an input pin to its pull-up unless an outer level is declared. */
static void hold_pins(void) {
    avr_ioport_external_t d = {.name = 'D', .mask = 0x0C, .value = level[0] << 2 | level[1] << 3};
    avr_ioport_external_t b = {.name = 'B', .mask = 0x01, .value = level[0] ^ level[1]};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &d);
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('B'), &b);
}

static void drive_pins(void) {
    hold_pins();
    set_pin('D', 2, level[0]);
    set_pin('D', 3, level[1]);
    set_pin('B', 0, level[0] ^ level[1]);
}

/* simavr: the converter's capacitor brings no charge from one input to the next. */
static void share_charge(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    (void)param;
    static uint32_t before;
    const uint32_t input = value >> 19;
    if (input >= INPUTS) return;
    const uint32_t shown = input == before ? analog_mv[input]
                                           : (9 * analog_mv[input] + analog_mv[before]) / 10;
    before = input;
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + input), shown);
}

static void drive_analog_pins(void) {
    avr->vcc = avr->avcc = avr->aref = SUPPLY_MV;
    for (int pin = 0; pin < INPUTS; pin++)
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + pin), analog_mv[pin]);
}

/* ---- events ---- */

static void send_to_board(const char *bytes, size_t length) {
    avr_irq_t *input = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    for (size_t i = 0; i < length; i++) avr_raise_irq(input, (uint8_t)bytes[i]);
}

static void perform(const struct event *event) {
    switch (event->kind) {
    case GATE_A:
    case GATE_B:
        level[event->kind] = event->level;
        drive_pins();
        break;
    case RESET:
        reset_asked = 1;
        reset_flags = (uint8_t)event->level;
        break;
    case HANG: hang_asked = 1; break;
    case SEND: send_to_board(event->bytes, event->length); break;
    case LIGHT:
        analog_mv[event->level] = (uint32_t)event->length;
        drive_analog_pins();
        break;
    case UNPLUG:
        level[event->level] = avr->data[PORTD_ADDRESS] >> (2 + event->level) & 1;
        drive_pins();
        break;
    case WIRE:
        wires[event->level] = event->wire;
        level[event->level] = event->wire.inverted;
        drive_pins();
        break;
    }
}

static const struct event *first_event(void) {
    const struct event *planned = done < events ? &script[done] : NULL;
    if (brought && (!planned || coming[0].cycle < planned->cycle)) return coming;
    return planned;
}

static void take_first_event(struct event *event) {
    const struct event *first = first_event();
    *event = *first;
    if (first != coming) done++;
    else memmove(coming, coming + 1, --brought * sizeof *coming);
}

/* simavr: a timer fires after the instruction that passes its cycle; the captured count and
 * every time taken must be that of the wanted cycle. */
static avr_cycle_count_t next_event(struct avr_t *a, avr_cycle_count_t when, void *param) {
    (void)param;
    (void)when;
    const avr_cycle_count_t reached = a->cycle;
    while (first_event() && first_event()->cycle <= reached) {
        struct event event;
        take_first_event(&event);
        a->cycle = event.cycle;
        perform(&event);
    }
    a->cycle = reached;
    return first_event() ? first_event()->cycle : 0;
}

static void schedule(void) {
    avr_cycle_timer_cancel(avr, next_event, NULL);
    if (!first_event()) return;
    const uint64_t cycle = first_event()->cycle;
    avr_cycle_timer_register(avr, cycle > avr->cycle ? cycle - avr->cycle : 1, next_event, NULL);
}

/* ---- the pulse pin ---- */

static uint64_t timer_zero;
static int timer_runs;

/* simavr: the counter's zero is the cycle at which the program starts Timer1. */
static void note_timer_zero(avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    (void)address;
    if ((value & 7) && !timer_runs) timer_zero = a->cycle;
    timer_runs = value & 7;
}

/* Random numbers between -1 and 1, the same ones for the same seed (xorshift). */
static uint32_t seed = 1;

static double draw(void) {
    seed ^= seed << 13;
    seed ^= seed >> 17;
    seed ^= seed << 5;
    return (double)seed / 2147483648.0 - 1;
}

/* simavr: the pin turns after the instruction that passes the match; the match itself was
 * earlier, by as much as Timer1 has gone on. */
static void follow_pulse(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)param;
    const int high = value & 1;
    static int before;
    if (high == before) return;
    before = high;
    /* simavr: an output pin reads as its PORT bit, not as what the timer makes of it. */
    avr->data[PORTB_ADDRESS] = (uint8_t)((avr->data[PORTB_ADDRESS] & ~2) | high << 1);
    const uint16_t match = (uint16_t)(avr->data[OCR1AL_ADDRESS] | avr->data[OCR1AL_ADDRESS + 1] << 8);
    const uint64_t turned = avr->cycle - (uint16_t)(avr->cycle - timer_zero - match);
    (void)irq;
    for (int gate = 0; gate < 2; gate++) {
        const struct wire *wire = &wires[gate];
        if (!wire->connected || brought == sizeof coming / sizeof *coming) continue;
        const double later = (high ? wire->rise : wire->fall) + wire->jitter * draw();
        struct event edge = {.cycle = turned + (uint64_t)ceil(later < 1 ? 1 : later),
                             .kind = gate ? GATE_B : GATE_A,
                             .level = high ^ wire->inverted};
        size_t place = brought++;
        for (; place && coming[place - 1].cycle > edge.cycle; place--)
            coming[place] = coming[place - 1];
        coming[place] = edge;
    }
    schedule();
}

/* simavr: writing a one to a flag does not clear it. */
static void clear_flags(avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)param;
    a->data[address] &= (uint8_t)~value;
    for (int i = 0; i < a->interrupts.vector_count; i++) {
        avr_int_vector_t *vector = a->interrupts.vector[i];
        if (vector->raised.reg == address && (value >> vector->raised.bit & 1))
            avr_clear_interrupt(a, vector);
    }
}

/* ---- what surrounds the chip ---- */

static void keep_bytes(struct avr_irq_t *irq, uint32_t byte, void *param) {
    (void)irq;
    (void)param;
    static char kept[4096];
    static size_t count;
    kept[count++] = (char)byte;
    if (byte != '\n' && count < sizeof kept) return;
    for (size_t sent = 0; sent < count;) {
        const ssize_t n = write(out, kept + sent, count - sent);
        if (n > 0) sent += (size_t)n;
        else if (n < 0 && errno == EAGAIN) poll(&(struct pollfd){.fd = out, .events = POLLOUT}, 1, -1);
        else if (n < 0 && errno != EINTR) fail("write", strerror(errno));
    }
    count = 0;
}

/* simavr: entering an interrupt takes no time. */
static void enter_interrupt(struct avr_irq_t *irq, uint32_t vector, void *param) {
    (void)irq;
    (void)param;
    if (vector) avr->cycle += INTERRUPT_ENTRY;
}

/* simavr: switching the transmitter off and on leaves it not ready for ever. */
static void enable_transmitter(avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)address;
    (void)param;
    static int enabled;
    const int enable = value & TXEN0_BIT;
    if (enable && !enabled) a->data[UCSR0A_ADDRESS] |= UDRE0_BIT;
    enabled = enable;
}

/* simavr: it gives a byte 11 bit times; eight data bits without parity take 10. */
static void correct_byte_time(avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)address;
    (void)value;
    (void)param;
    for (avr_io_t *io = a->io_port; io; io = io->next)
        if (!strcmp(io->kind, "uart")) {
            avr_uart_t *uart = (avr_uart_t *)io;
            uart->cycles_per_byte = uart->cycles_per_byte * 10 / 11;
        }
}

static FILE *played;

static void note_played(avr_t *a, avr_io_addr_t address, uint8_t value, void *param) {
    (void)address;
    (void)param;
    static uint8_t before;
    for (int gate = 0; played && gate < 2; gate++)
        if ((value ^ before) >> gate & 1)
            fprintf(played, "%" PRIu64 " %c %d\n", a->cycle, "AB"[gate], value >> gate & 1);
    before = value;
}

static void stay_awake(avr_t *a, avr_cycle_count_t cycles) {
    (void)a;
    (void)cycles;
}

static void be_quiet(avr_t *a, const int severity, const char *format, va_list rest) {
    (void)a;
    if (severity <= LOG_ERROR) vfprintf(stderr, format, rest);
}

/* simavr: a reset brings back its defaults, forgets all timers and reads all pins as low. */
static void surround(void) {
    timer_runs = 0;
    avr_extint_set_strict_lvl_trig(avr, 0, 0);
    avr_extint_set_strict_lvl_trig(avr, 1, 0);
    drive_pins();
    drive_analog_pins();
    avr->data[PIND_ADDRESS] = (uint8_t)(level[0] << 2 | level[1] << 3);
    avr->data[PINB_ADDRESS] = (uint8_t)(level[0] ^ level[1]);
    schedule();
}

static void (*core_reset)(avr_t *);
static int was_reset;

static void note_reset(avr_t *a) {
    if (hung_at >= 0) {
        a->flash[hung_at] = hung_word & 0xFF;
        a->flash[hung_at + 1] = hung_word >> 8;
        hung_at = -1;
    }
    was_reset = 1;
    if (core_reset) core_reset(a);
}

static void power_up(const char *elf) {
    static elf_firmware_t firmware;
    if (elf_read_firmware(elf, &firmware)) fail(elf, "cannot be read");
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr || avr_init(avr)) fail("simavr", "has no atmega328p");
    firmware.frequency = FREQUENCY;
    avr_load_firmware(avr, &firmware);
    avr->sleep = stay_awake;
    avr->run_cycle_limit = FREQUENCY;
    core_reset = avr->reset;
    avr->reset = note_reset;
    uint32_t flags = 0; /* simavr: it would print the bytes, and sleep whenever they are awaited */
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            keep_bytes, NULL);
    avr_register_io_write(avr, TCCR1B_ADDRESS, note_timer_zero, NULL);
    avr_register_io_write(avr, EIFR_ADDRESS, clear_flags, NULL);
    avr_irq_register_notify(
        avr_io_getirq(avr, AVR_IOCTL_TIMER_GETIRQ('1'), TIMER_IRQ_OUT_COMP), follow_pulse, NULL);
    avr_register_io_write(avr, UBRR0L_ADDRESS, correct_byte_time, NULL);
    avr_register_io_write(avr, UCSR0B_ADDRESS, enable_transmitter, NULL);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, AVR_INT_ANY) + AVR_INT_IRQ_RUNNING,
                            enter_interrupt, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER),
                            share_charge, NULL);
    if (played) avr_register_io_write(avr, PORTB_ADDRESS, note_played, NULL);
    avr->data[MCUSR_ADDRESS] = BY_POWER; /* simavr: a start leaves no trace */
    surround();
}

/* The instruction to come is replaced by a jump to itself, unless a handler is running. */
static void hang(void) {
    if (!avr->sreg[S_I]) return;
    hung_at = (long)avr->pc;
    hung_word = (uint16_t)(avr->flash[hung_at] | avr->flash[hung_at + 1] << 8);
    avr->flash[hung_at] = RJMP_TO_ITSELF & 0xFF;
    avr->flash[hung_at + 1] = RJMP_TO_ITSELF >> 8;
    hang_asked = 0;
}

static void step(void) {
    const int state = avr_run(avr);
    if (state == cpu_Done || state == cpu_Crashed) fail("simavr", "the program crashed");
    if (hang_asked) hang();
    if (reset_asked) {
        reset_asked = 0;
        /* simavr: leaves it to whoever resets. Flags stay until the program clears them. */
        const uint8_t flags = avr->data[MCUSR_ADDRESS] | reset_flags;
        avr_reset(avr);
        avr->data[MCUSR_ADDRESS] = flags;
    }
    if (was_reset) {
        was_reset = 0;
        surround();
    }
}

/* ---- the outer world ---- */

static void open_terminal(void) {
    int keep_open; /* without a second holder the terminal closes with its first reader */
    char name[64];
    struct termios raw = {0};
    cfmakeraw(&raw);
    if (openpty(&terminal, &keep_open, name, &raw, NULL)) fail("openpty", strerror(errno));
    fcntl(terminal, F_SETFL, O_NONBLOCK);
    out = terminal;
    printf("%s\n", name);
    fflush(stdout);
}

static void wait_for_line(void) {
    char byte;
    while (read(STDIN_FILENO, &byte, 1) == 1 && byte != '\n') {
    }
}

static int end_of_input(void) {
    struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN};
    char byte;
    return poll(&input, 1, 0) > 0 && read(STDIN_FILENO, &byte, 1) == 0;
}

static void hear_host(void) {
    char bytes[32];
    const ssize_t count = read(terminal, bytes, sizeof bytes);
    if (count > 0) send_to_board(bytes, (size_t)count);
}

static double seconds(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void hold_pace(double start, uint64_t first, double pace) {
    const double ahead = start + (double)(avr->cycle - first) / FREQUENCY / pace - seconds();
    if (ahead > 0) usleep((useconds_t)(1e6 * ahead));
}

static void run(double pace, uint64_t until) {
    const double start = seconds();
    const uint64_t first = avr->cycle;
    for (uint64_t turn = first + TURN; avr->cycle < until; turn += TURN) {
        while (avr->cycle < turn && avr->cycle < until) step();
        if (pace > 0) hold_pace(start, first, pace);
        if (terminal < 0) continue;
        hear_host();
        if (end_of_input()) return;
    }
}

int main(int argc, char **argv) {
    double pace = 0;
    uint64_t until = UINT64_MAX;
    if (argc < 3) fail("usage", "board FIRMWARE.elf SCRIPT [--pty] [--pace X] [--until CYCLE]");
    avr_global_logger_set(be_quiet);
    read_script(argv[2]);
    for (int i = 3; i < argc; i++) {
        if (!strcmp(argv[i], "--pty")) open_terminal();
        else if (!strcmp(argv[i], "--pace") && i + 1 < argc) pace = atof(argv[++i]);
        else if (!strcmp(argv[i], "--until") && i + 1 < argc) until = strtoull(argv[++i], NULL, 10);
        else if (!strcmp(argv[i], "--played") && i + 1 < argc) {
            played = fopen(argv[++i], "w");
            if (!played) fail(argv[i], strerror(errno));
        }
        else if (!strcmp(argv[i], "--seed") && i + 1 < argc) {
            seed = 2654435769u * (1 + (uint32_t)atoi(argv[++i]));
            for (int n = 0; n < 16; n++) draw();
        }
        else fail("unknown option", argv[i]);
    }
    if (terminal < 0 && until == UINT64_MAX) fail("usage", "without --pty an --until is needed");
    power_up(argv[1]);
    if (terminal >= 0) wait_for_line();
    run(pace, until);
    if (terminal >= 0 && avr->cycle >= until) wait_for_line(); /* what is unread stays readable */
    return 0;
}
