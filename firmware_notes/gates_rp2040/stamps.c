// Four state machines run the same program at the same time. Each one watches one pin and counts
// down in X, one step every two cycles, on every path through the program. If its pin changes, the
// state machine outputs X and the new level as one word. Two state machines watch the gates. One
// watches the pin that the processor switches to read the time, and one watches the pulse pin. They
// need no processor and no interrupt. The DMA copies the words of the gates to a ring buffer in the
// RAM and never stops.

#include "stamps.h"

#include "settings.h"

enum { GATE_A, GATE_B, CLOCK, PULSE };
static const uint32_t pin_of[] = {PIN_A, PIN_B, PIN_CLOCK, PIN_PULSE};

// The program in the language of the assembler of the chip. It reads the pin every two cycles, and
// again eight cycles after it has found a change. Both paths take 4 steps of X.
enum { ROSE = 0, HIGH = 6, FELL = 8, LOW = 15, LAST = 16, LENGTH };
#define JMP_X_DEC(to) (0x0040 | (to)) // jumps to `to`, or if X = 0 to the next instruction
#define JMP_PIN(to) (0x00C0 | (to))
#define IN_X_31 0x403F
#define IN_Y_1 0x4041
#define IN_NULL_1 0x4061
#define PUSH_NOBLOCK 0x8000
#define PULL 0x80A0
#define MOV_X_OSR 0xA027
#define SET_Y_1 0xE041
#define JMP(to) (to)
static const uint16_t program[LENGTH] = {
    IN_X_31,       // 0  rose:
    IN_Y_1,        // 1  Y is 1
    PUSH_NOBLOCK,  // 2
    JMP_X_DEC(4),  // 3
    JMP_X_DEC(5),  // 4
    JMP_X_DEC(6),  // 5
    JMP_X_DEC(7),  // 6  high:
    JMP_PIN(HIGH), // 7
    IN_X_31,       // 8  fell:
    IN_NULL_1,     // 9
    PUSH_NOBLOCK,  // 10
    JMP_X_DEC(12), // 11
    JMP_X_DEC(13), // 12
    JMP_X_DEC(14), // 13
    JMP_X_DEC(15), // 14
    JMP_PIN(ROSE), // 15 low:
    JMP_X_DEC(LOW), // 16, and then to 15 in every case
};
#define DEAD_STEPS 4 // from a change to the next reading

// The DMA finds the beginning of the ring by its aligned address.
#define RING_BITS GATES_RING_BITS
#define RING_LENGTH (1u << RING_BITS)
#define RING_MARGIN 64 // words that may come while one word is taken
static volatile uint32_t ring[2][RING_LENGTH] __attribute__((aligned(4 * RING_LENGTH)));

// Each gate has two DMA channels. Each channel starts the other one after this number of words, so
// that the copying never ends. From the sum of their remaining words the code computes the number
// of words that came, modulo this number.
#define ROUND (1u << GATES_ROUND_BITS)
#define SECOND_OF(gate) ((gate) + 2)

#define LONGEST_WAIT (8u * COUNTER_HZ) // far less than half a turn of the counter

static struct {
    uint32_t taken;    // words, modulo ROUND
    uint32_t previous; // counter of the edge taken last
    bool blocked;      // level after this edge
    bool after_loss;   // edges before the next edge may be lost
} gates[2];
static uint16_t lost;

static uint32_t counter_of(uint32_t word) { return ~(word >> 1) & COUNTER_MASK; }
static bool level_of(uint32_t word) { return (word & 1) == GATES_BLOCKED_LEVEL; }

uint32_t steps_between(uint32_t earlier, uint32_t later) {
    return (later - earlier) & COUNTER_MASK;
}

static void start_pin(uint32_t pin, uint32_t pad) {
    REG(PAD(pin)) = pad;
    REG(GPIO_CTRL(pin)) = FUNCTION_SIO;
}

static bool is_high(uint32_t pin) { return REG(SIO_IN) >> pin & 1; }

static void start_machine(int machine) {
    const uint32_t pin = pin_of[machine];
    REG(SM_CLKDIV(machine)) = 1u << 16;
    REG(SM_EXECCTRL(machine)) = pin << 24 | (uint32_t)LAST << 12 | (uint32_t)LOW << 7;
    REG(SM_SHIFTCTRL(machine)) = 1u << 31; // eight places for waiting words; shift left
    REG(PIO_TX(machine)) = ~(uint32_t)(GATES_COUNTER_START);
    REG(SM_INSTR(machine)) = PULL;
    REG(SM_INSTR(machine)) = MOV_X_OSR;
    REG(SM_INSTR(machine)) = SET_Y_1;
    const bool high = machine == CLOCK ? false : is_high(pin);
    REG(SM_INSTR(machine)) = JMP(high ? HIGH : LOW);
    if (machine <= GATE_B) gates[machine].blocked = high == GATES_BLOCKED_LEVEL;
}

static void start_way(int gate) {
    const uint32_t channels[] = {gate, SECOND_OF(gate)};
    for (int n = 1; n >= 0; n--) {
        const uint32_t control = 1u << 0                             // on
                                 | 1u << 1                           // high priority
                                 | 2u << 2                           // words
                                 | 1u << 5                           // next address in the RAM
                                 | (RING_BITS + 2) << 6 | 1u << 10   // wrap at the end of the ring
                                 | channels[1 - n] << 11             // then start the other channel
                                 | DMA_REQUEST_PIO0_RX(gate) << 15   // copy when a word is there
                                 | 1u << 21;                         // no interrupt
        REG(DMA_READ(channels[n])) = PIO_RX(gate);
        REG(DMA_WRITE(channels[n])) = (uint32_t)ring[gate];
        REG(DMA_COUNT(channels[n])) = ROUND;
        if (n) REG(DMA_CTRL(channels[n])) = control;
        else REG(DMA_CTRL_TRIGGER(channels[n])) = control;
    }
}

void start_stamps(void) {
    wake_blocks(BLOCK_IO | BLOCK_PADS | BLOCK_PIO0 | BLOCK_DMA);
    REG(BUS_PRIORITY) = BUS_PRIORITY_DMA;
    // A gate that is not plugged in must read as blocked.
    const uint32_t pull = GATES_BLOCKED_LEVEL ? PAD_PULL_UP : PAD_PULL_DOWN;
    start_pin(PIN_A, PAD_INPUT | PAD_HYSTERESIS | pull);
    start_pin(PIN_B, PAD_INPUT | PAD_HYSTERESIS | pull);
    start_pin(PIN_PULSE, PAD_INPUT | PAD_HYSTERESIS | PAD_4_MA);
    start_pin(PIN_LED, PAD_INPUT | PAD_4_MA);
    REG(SIO_OUT_CLEAR) = 1u << PIN_LED | 1u << PIN_PULSE;
    REG(SIO_OUT_ENABLE_SET) = 1u << PIN_LED;
    REG(GPIO_CTRL(PIN_CLOCK)) = FUNCTION_SIO | INPUT_FORCED_LOW;

    for (int n = 0; n < LENGTH; n++) REG(PIO_PROGRAM + 4 * n) = program[n];
    start_way(GATE_A);
    start_way(GATE_B);
    for (int n = GATE_A; n <= PULSE; n++) start_machine(n);
    REG(PIO_CTRL) = 0xFFF; // start all four at the same time
}

static bool has_word(int machine) { return !(REG(PIO_FSTAT) >> (8 + machine) & 1); }

uint32_t read_counter(void) {
    static bool high;
    high = !high;
    REG(GPIO_CTRL(PIN_CLOCK)) = FUNCTION_SIO | (high ? INPUT_FORCED_HIGH : INPUT_FORCED_LOW);
    while (!has_word(CLOCK)) {
    }
    const uint32_t now = counter_of(REG(PIO_RX(CLOCK)));
    // A word needs less than half a microsecond from a state machine to the ring.
    return (now - COUNTER_HZ / 2000000) & COUNTER_MASK;
}

static uint32_t words_written(int gate) {
    // One of the channels rests at 0. If the channels change between the two readings, the sum is
    // still between the old value and the new value.
    return -(REG(DMA_COUNT(gate)) + REG(DMA_COUNT(SECOND_OF(gate)))) % ROUND;
}

static void count_lost(uint32_t edges) {
    lost = edges > 0xFFFFu - lost ? 0xFFFF : lost + edges;
}

static void skip(int gate, uint32_t words) {
    gates[gate].taken = (gates[gate].taken + words) % ROUND;
    gates[gate].after_loss = true;
    count_lost(words);
}

// If the output of a state machine was full, it dropped at least one word. The number is unknown.
static void note_stalls(int gate) {
    if (!(REG(PIO_FDEBUG) >> gate & 1)) return;
    REG(PIO_FDEBUG) = 1u << gate;
    gates[gate].after_loss = true;
    count_lost(1);
}

static uint32_t words_waiting(int gate) {
    uint32_t waiting = (words_written(gate) - gates[gate].taken) % ROUND;
    if (waiting > RING_LENGTH - RING_MARGIN) {
        skip(gate, waiting - (RING_LENGTH - RING_MARGIN));
        waiting = RING_LENGTH - RING_MARGIN;
    }
    return waiting;
}

bool oldest_edge(int gate, uint32_t until, Edge *edge) {
    note_stalls(gate);
    while (words_waiting(gate)) {
        const uint32_t word = ring[gate][gates[gate].taken % RING_LENGTH];
        edge->counter = counter_of(word);
        const uint32_t age = steps_between(edge->counter, until);
        if (age > COUNTER_MASK / 2) return false; // after `until`
        if (age <= LONGEST_WAIT) {
            edge->blocked = level_of(word);
            // A change between two readings is reported at the second reading.
            const uint32_t since = steps_between(gates[gate].previous, edge->counter);
            edge->late = gates[gate].after_loss || since <= DEAD_STEPS;
            return true;
        }
        skip(gate, 1);
    }
    return false;
}

void take_edge(int gate, const Edge *edge) {
    gates[gate].taken = (gates[gate].taken + 1) % ROUND;
    gates[gate].previous = edge->counter;
    gates[gate].blocked = edge->blocked;
    gates[gate].after_loss = false;
}

bool is_told_blocked(int gate) { return gates[gate].blocked; }

uint16_t edges_lost(void) { return lost; }

bool is_any_blocked(void) {
    return is_high(PIN_A) == GATES_BLOCKED_LEVEL || is_high(PIN_B) == GATES_BLOCKED_LEVEL;
}

static void forget_pulses(void) {
    while (has_word(PULSE)) (void)REG(PIO_RX(PULSE));
}

void start_pulses(void) {
    REG(SIO_OUT_CLEAR) = 1u << PIN_PULSE;
    REG(SIO_OUT_ENABLE_SET) = 1u << PIN_PULSE;
}

bool play(bool high, uint32_t *counter) {
    forget_pulses();
    REG(high ? SIO_OUT_SET : SIO_OUT_CLEAR) = 1u << PIN_PULSE;
    for (int tries = 0; tries < 100; tries++) {
        if (!has_word(PULSE)) continue;
        *counter = counter_of(REG(PIO_RX(PULSE)));
        return true;
    }
    return false;
}

void stop_pulses(void) {
    REG(SIO_OUT_CLEAR) = 1u << PIN_PULSE;
    REG(SIO_OUT_ENABLE_CLEAR) = 1u << PIN_PULSE;
}
