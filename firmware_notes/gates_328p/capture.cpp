#include "capture.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "settings.h"

namespace {

constexpr uint8_t PIN_A = _BV(PD2), PIN_B = _BV(PD3), PINS = PIN_A | PIN_B;
constexpr uint8_t FLAG_A = _BV(INTF0), FLAG_B = _BV(INTF1), FLAGS = FLAG_A | FLAG_B;

// An edge as its handler stored it. The bits of `marks` are at the same places as in the
// registers, so that the handler does not need to move them.
struct Record {
    uint16_t stamp; // Timer1
    uint8_t epoch;  // half turns of Timer1, as the main loop last read them
    uint8_t marks;
};
constexpr uint8_t PENDING = FLAGS;        // interrupts that were waiting when the pins were read
constexpr uint8_t LEVELS = PINS;          // the pins
constexpr uint8_t OF_GATE_B = _BV(4);     // the handler of gate B stored the record
constexpr uint8_t CAPTURED = _BV(ICF1);   // the stamp is the capture of the edge that caused LEVELS
constexpr uint8_t HIDES_EDGES = CAPTURED | PENDING; // earlier edges were not detected
constexpr uint8_t A_DROPPED = _BV(6), B_DROPPED = _BV(7); // there was no room for later edges
static_assert((PENDING ^ LEVELS ^ OF_GATE_B ^ CAPTURED ^ A_DROPPED ^ B_DROPPED) == 0xFF,
              "the marks share a bit");
static_assert(FLAG_A == _BV(INT0) && FLAG_B == _BV(INT1), "EIMSK differs from EIFR");

// The ring has 256 records, so that the 8-bit indices wrap automatically. A record waits at most
// until 255 lines and a few beats or hellos are sent. This time must be less than 256 half turns
// (524 ms). So run_board() sends nothing else while records wait.
volatile Record ring[256];
static_assert(255UL * 25 * 11 * 1000 / GATES_BAUD < 500, "the ring empties too slowly");
volatile uint8_t head, tail;
volatile uint8_t dropped; // edges that had no room; the number wraps
volatile uint8_t epoch;

uint32_t now;
uint32_t previous;     // counter of the record that was taken before
uint8_t dropped_since; // A_DROPPED, B_DROPPED: edges dropped since the last record of this gate
bool after_drop;       // edges were dropped between the last record and this record
uint8_t told;          // levels of the pins that were reported last
uint16_t lost;
uint8_t dropped_told;

#if GATES_WIRING == ON_INT
// If a second edge waits, a handler needs less than this time from one stamp to the next. If two
// stamps are nearer than this, the second stamp may be late.
constexpr uint32_t SEPARABLE = 140;
#else
// Return the value of TCCR1B that captures the next edge of A xor B.
inline __attribute__((always_inline)) uint8_t selector_for(uint8_t pins) {
    const uint8_t b_over_a = pins >> 1;
    return (pins ^ b_over_a) & PIN_A ? _BV(CS10) : _BV(CS10) | _BV(ICES1);
}

// Each gate has only one flag. So three edges of a gate while the handler of the other gate runs
// cause only one interrupt. The handler stores a note in the fastest registers, and with this note
// the next handler detects most of these edges.
constexpr uint8_t CAPTURED_EARLY = _BV(7); // GPIOR1 and GPIOR2 hold a capture
static_assert(!(CAPTURED_EARLY & FLAGS), "GPIOR0 has the flags of waiting edges too");

// The switch of the selector may look like an edge for some cycles. The flag is cleared three
// cycles later. In these cycles the code notes if an edge of the other gate waits.
inline __attribute__((always_inline)) void select_edge(uint8_t selector, uint8_t other_flag) {
    TCCR1B = selector;
    GPIOR0 = EIFR & other_flag;
    TIFR1 = _BV(ICF1);
}

inline __attribute__((always_inline)) void note_early_capture() {
    if (!(TIFR1 & _BV(ICF1))) return;
    GPIOR1 = ICR1L;
    GPIOR2 = ICR1H;
    GPIOR0 |= CAPTURED_EARLY;
}

// Return true if the capture is not from the edge that started the handler, because that capture
// was cleared with the selector, or because a later capture has replaced it.
inline __attribute__((always_inline)) bool is_recaptured(uint8_t noted, uint16_t stamp) {
    if (noted & FLAGS) return true;
    return uint8_t(GPIOR1 ^ uint8_t(stamp)) | uint8_t(GPIOR2 ^ uint8_t(stamp >> 8));
}
#endif

// The body of both handlers. The order of its reads matters: first the pins and the stamp, then the
// edges that came during these reads. A capture counts only if it changes the selector. If another
// edge came after the capture, the pins do not show the levels after the capture.
template <uint8_t gate_marks, uint8_t dropped_mark>
inline __attribute__((always_inline)) void record_edge() {
    const uint8_t pins = PIND;
    uint8_t marks = (pins & LEVELS) | gate_marks;
#if GATES_WIRING == ON_ICP
    const uint8_t selector = selector_for(pins);
    if (selector != TCCR1B) marks |= TIFR1 & CAPTURED;
    const uint16_t stamp = marks & CAPTURED ? ICR1 : TCNT1;
    marks |= EIFR & FLAGS;
    const uint8_t noted = GPIOR0;
    select_edge(selector, gate_marks ? FLAG_A : FLAG_B);
    if (marks & PENDING) marks &= uint8_t(~CAPTURED); // late: the pins may show a later edge
    else if (noted && marks & CAPTURED && is_recaptured(noted, stamp)) marks |= HIDES_EDGES;
#else
    const uint16_t stamp = TCNT1;
    marks |= EIFR & FLAGS;
#endif
    const uint8_t place = head, next = place + 1;
    if (next == tail) { // full: mark the newest record, which will be taken much later
        const uint8_t newest = place - 1;
        ring[newest].marks = ring[newest].marks | dropped_mark;
        dropped = dropped + 1;
    } else {
        volatile Record &record = ring[place];
        record.stamp = stamp;
        record.epoch = epoch;
        record.marks = marks;
        head = next;
    }
#if GATES_WIRING == ON_ICP
    note_early_capture();
#endif
}

// The two bytes of Timer1 share a buffer with the reads of the handlers. So a reading is valid only
// if no handler ran between the bytes. If edges come too fast for this, interrupts are switched off
// for six cycles. The stamps of such edges are late in any case.
uint16_t read_timer() {
    for (uint8_t tries = 4; tries; tries--) {
        const uint8_t before = head + dropped;
        const uint16_t count = TCNT1;
        if (uint8_t(head + dropped) == before) return count;
    }
    cli();
    const uint16_t count = TCNT1;
    sei();
    return count;
}

uint8_t half_turns(uint32_t counter) { return uint8_t(counter >> 16 << 1) | uint16_t(counter) >> 15; }

// Compute the counter of a record from its half turn or the next half turn (the main loop may not
// have counted the latest one). A small reserve at the lower end does no harm.
uint32_t widen(uint16_t stamp, uint8_t stamp_epoch) {
    constexpr uint16_t slack = 1024;
    const uint8_t turns_since = half_turns(now) - stamp_epoch;
    const uint32_t start = (now & ~0x7FFFUL) - ((uint32_t(turns_since) << 16) >> 1) - slack;
    return start + uint16_t(stamp - uint16_t(start));
}

void count_lost(uint8_t edges) { lost = lost > 0xFFFF - edges ? 0xFFFF : lost + edges; }

void count_dropped() {
    const uint8_t seen = dropped;
    if (seen == dropped_told) return;
    count_lost(seen - dropped_told);
    dropped_told = seen;
}

bool is_blocked(uint8_t pins, uint8_t pin) { return bool(pins & pin) == bool(GATES_BLOCKED_LEVEL); }

#if GATES_WIRING == ON_ICP
bool is_late(uint8_t marks, uint32_t) { return after_drop || !(marks & CAPTURED); }
#else
bool is_late(uint8_t, uint32_t since_previous) { return after_drop || since_previous < SEPARABLE; }
#endif

// An edge changes the level that was reported before. If a second edge of the gate was already
// waiting when the pins were read, the read level is wrong, but the edge is right. If the level is
// equal without a waiting edge, one edge came before and was not detected.
struct Level {
    uint8_t pins;
    bool missed;
};

Level level_of(uint8_t marks, uint8_t pin, uint8_t flag, uint8_t dropped_mark) {
    const uint8_t read = marks & pin, before = told & pin;
    if (dropped_since & dropped_mark || read != before) return {read, false};
    if (marks & flag) return {uint8_t(before ^ pin), false};
    return {read, true};
}

// Return true if the record has a capture and if undetected edges came before it.
bool hides_edges(uint8_t marks) { return (marks & HIDES_EDGES) == HIDES_EDGES; }

void note_drops(uint8_t marks, uint8_t own_mark) {
    const uint8_t drops = marks & (A_DROPPED | B_DROPPED);
    dropped_since = (dropped_since & ~own_mark) | drops;
    after_drop = drops;
}

} // namespace

ISR(INT0_vect) { record_edge<0, A_DROPPED>(); }
ISR(INT1_vect) { record_edge<OF_GATE_B, B_DROPPED>(); }

void start_capture() {
    cli();
    DDRD &= ~PINS;
    // A gate that is not plugged in must read as blocked. The chip pulls its pin up. For sensors
    // that give 0, a resistor at the pin pulls it down.
    if (GATES_BLOCKED_LEVEL) PORTD |= PINS;
    else PORTD &= ~PINS;
    TIMSK0 = TIMSK1 = TIMSK2 = 0; // an Arduino core runs its own handler on Timer0
    TCCR1A = 0;
    TCCR1B = 0;
    TCCR1C = 0;
    now = previous = GATES_COUNTER_START;
    epoch = half_turns(now);
    TCNT1 = uint16_t(GATES_COUNTER_START);
    TCCR1B = _BV(CS10);
#if GATES_WIRING == ON_ICP
    DDRB &= ~_BV(PB0);
    select_edge(selector_for(PIND), 0);
#endif
    EIMSK = _BV(INT0) | _BV(INT1);
    EICRA = _BV(ISC10) | _BV(ISC00); // any change
    do { // edges from before the start cause interrupts now and are dropped
        sei();
        __builtin_avr_delay_cycles(400);
        cli();
        tail = head;
        told = PIND & PINS;
    } while (EIFR & FLAGS);
    sei();
}

uint32_t keep_time() {
    now += uint16_t(read_timer() - uint16_t(now));
    epoch = half_turns(now);
    count_dropped();
    return now;
}

bool is_edge_waiting() { return tail != head; }

bool take_edge(Edge &edge) {
    const uint8_t place = tail;
    if (place == head) return false;
    uint8_t marks = ring[place].marks;
    const uint32_t counter = widen(ring[place].stamp, ring[place].epoch);
    tail = place + 1;

    const bool hides = hides_edges(marks);
    if (hides) marks &= uint8_t(~PENDING);
    const bool gate_b = marks & OF_GATE_B;
    const uint8_t pin = gate_b ? PIN_B : PIN_A;
    const bool follows = !(dropped_since & (gate_b ? B_DROPPED : A_DROPPED));
    const Level level = gate_b ? level_of(marks, PIN_B, FLAG_B, B_DROPPED)
                               : level_of(marks, PIN_A, FLAG_A, A_DROPPED);
    if (level.missed) count_lost(1);
    else if (hides && follows) count_lost(2); // this edge itself is reported

    edge.counter = counter;
    edge.gate = gate_b ? 'B' : 'A';
    edge.blocked = is_blocked(level.pins, pin);
    edge.late = level.missed || is_late(marks, counter - previous);
    told = (told & ~pin) | level.pins;
    previous = counter;
    note_drops(marks, gate_b ? B_DROPPED : A_DROPPED);
    return true;
}

bool is_any_blocked() {
    const uint8_t pins = PIND;
    return is_blocked(pins, PIN_A) || is_blocked(pins, PIN_B);
}

void listen_to(Listening gates) {
    const uint8_t wanted = gates == TO_A ? FLAG_A : gates == TO_B ? FLAG_B : FLAGS;
    EIFR = wanted & ~EIMSK; // writing a one clears a bit; EIMSK and EIFR have the same bits
    EIMSK = wanted;
}

State board_state() {
    uint32_t counter = keep_time();
    uint8_t pins = PIND;
    const uint8_t place = tail;
    if (place != head) { // edges wait: everything before the oldest waiting edge is reported
        counter = widen(ring[place].stamp, ring[place].epoch);
        pins = told;
    }
    return {counter, is_blocked(pins, PIN_A), is_blocked(pins, PIN_B), lost};
}

State state_as_told(uint32_t counter) {
    return {counter, is_blocked(told, PIN_A), is_blocked(told, PIN_B), lost};
}
