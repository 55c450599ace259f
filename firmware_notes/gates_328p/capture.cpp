#include "capture.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "settings.h"

namespace {

constexpr uint8_t PIN_A = _BV(PD2), PIN_B = _BV(PD3), PINS = PIN_A | PIN_B;
constexpr uint8_t FLAG_A = _BV(INTF0), FLAG_B = _BV(INTF1), FLAGS = FLAG_A | FLAG_B;

// An edge as its handler left it. `marks` keeps the bits where the registers have them, so
// that the handler need not move them.
struct Record {
    uint16_t stamp; // Timer1
    uint8_t epoch;  // half turns of Timer1, as last seen by the main loop
    uint8_t marks;
};
constexpr uint8_t PENDING = FLAGS;        // interrupts that waited when the pins were read
constexpr uint8_t LEVELS = PINS;          // the pins
constexpr uint8_t OF_GATE_B = _BV(4);     // which gate's handler it was
constexpr uint8_t CAPTURED = _BV(ICF1);   // the stamp is the capture of the edge that led to LEVELS
constexpr uint8_t HIDES_EDGES = CAPTURED | PENDING; // edges of this gate came before it, unseen
constexpr uint8_t A_DROPPED = _BV(6), B_DROPPED = _BV(7); // edges after it did not fit
static_assert((PENDING ^ LEVELS ^ OF_GATE_B ^ CAPTURED ^ A_DROPPED ^ B_DROPPED) == 0xFF,
              "the marks share a bit");
static_assert(FLAG_A == _BV(INT0) && FLAG_B == _BV(INT1), "EIMSK differs from EIFR");

// 256 records, so that the indices wrap by themselves. A record waits at most as long as 255
// lines take, and a beat or hello or two among them, which must stay below 256 half turns
// (524 ms): run_board() sees to it that nothing else is sent while records wait.
volatile Record ring[256];
static_assert(255UL * 25 * 11 * 1000 / GATES_BAUD < 500, "the ring empties too slowly");
volatile uint8_t head, tail;
volatile uint8_t dropped; // edges that did not fit, wrapping
volatile uint8_t epoch;

uint32_t now;
uint32_t previous;     // counter of the record taken before
uint8_t dropped_since; // A_DROPPED, B_DROPPED: dropped since that gate's record before
bool after_drop;       // edges were dropped between the record before and this one
uint8_t told;          // pins as last told
uint16_t lost;
uint8_t dropped_told;

#if GATES_WIRING == ON_INT
// A handler needs less than this from the reading of its stamp to that of the next one, when
// that has been waiting. Two stamps nearer than this: the second one may be late.
constexpr uint32_t SEPARABLE = 140;
#else
// What TCCR1B has to be for the next edge of A xor B to be captured.
inline __attribute__((always_inline)) uint8_t selector_for(uint8_t pins) {
    const uint8_t b_over_a = pins >> 1;
    return (pins ^ b_over_a) & PIN_A ? _BV(CS10) : _BV(CS10) | _BV(ICES1);
}

// One flag a gate holds one edge only: three edges of a gate while the other gate's handler runs
// leave one interrupt. What the handler leaves here shows most of them to the next one, in the
// registers that are read fastest.
constexpr uint8_t CAPTURED_EARLY = _BV(7); // GPIOR1 and GPIOR2 hold a capture
static_assert(!(CAPTURED_EARLY & FLAGS), "GPIOR0 has the flags of waiting edges too");

// The turn of the selector may itself look like an edge for some cycles: it is three cycles from
// there to the clearing of the flag, in which an edge of the other gate that waits is noted.
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

// True if this capture is not that of the edge which woke the handler: that one's was cleared
// with the selector, or another one has taken its place.
inline __attribute__((always_inline)) bool is_recaptured(uint8_t noted, uint16_t stamp) {
    if (noted & FLAGS) return true;
    return uint8_t(GPIOR1 ^ uint8_t(stamp)) | uint8_t(GPIOR2 ^ uint8_t(stamp >> 8));
}
#endif

// The body of both handlers. The order of its reads matters: pins and stamp first, then what
// came in meanwhile. A capture counts only if it turns the selector: with another edge after
// it, the pins read are not what it led to.
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
    if (marks & PENDING) marks &= uint8_t(~CAPTURED); // late: the pins may be those of a later edge
    else if (noted && marks & CAPTURED && is_recaptured(noted, stamp)) marks |= HIDES_EDGES;
#else
    const uint16_t stamp = TCNT1;
    marks |= EIFR & FLAGS;
#endif
    const uint8_t place = head, next = place + 1;
    if (next == tail) { // full: the newest record tells it, which is far from being taken
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

// Timer1's two bytes share a buffer with what the handlers read: a reading counts only if no
// handler ran in between. In a storm of edges, where that never happens, interrupts are held
// off for six cycles; the stamps of a storm are late anyway.
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

// The counter of a record, from the half turn in which it fell or the one after (the main loop
// may not have seen the latest). A little slack at the lower end costs nothing.
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

// An edge leads away from the level told before. A second edge of the gate that waited already
// when the pins were read has spoilt the reading, not the edge. A level told twice without that
// is one edge that came and went unseen before it.
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

// With a capture, and in spite of edges before it that nothing else shows.
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
    // A gate that is not plugged in must read as blocked: pulled up by the chip, or, for sensors
    // that give 0, pulled down by a resistor at the pin.
    if (GATES_BLOCKED_LEVEL) PORTD |= PINS;
    else PORTD &= ~PINS;
    TIMSK0 = TIMSK1 = TIMSK2 = 0; // an Arduino core has its own handler running on Timer0
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
    do { // what the pins did before the start fires now and is thrown away
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
    else if (hides && follows) count_lost(2); // and this one is told

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
    EIFR = wanted & ~EIMSK; // writing a one clears; EIMSK has its bits where EIFR has them
    EIMSK = wanted;
}

State board_state() {
    uint32_t counter = keep_time();
    uint8_t pins = PIND;
    const uint8_t place = tail;
    if (place != head) { // there are edges to take: all is told only up to the oldest of them
        counter = widen(ring[place].stamp, ring[place].epoch);
        pins = told;
    }
    return {counter, is_blocked(pins, PIN_A), is_blocked(pins, PIN_B), lost};
}

State state_as_told(uint32_t counter) {
    return {counter, is_blocked(told, PIN_A), is_blocked(told, PIN_B), lost};
}
