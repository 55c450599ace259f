// An RP2040 at 125 MHz with its firmware in the flash, its state machines kept to the cycle.
//
// rp2040js lets the state machines run by the computer's own timers; here they run by the chip's
// cycles. While nothing changes a state machine's loop only counts X down, so whole stretches of
// it are taken at once: two cycles are run, and if all is as before but for X, that is repeated
// by arithmetic. X = 0 is always run step by step, as a program may look for it.

import { RP2040, GPIOPinState } from 'rp2040js';

export const NANOS_PER_CYCLE = 8;
const FLASH = 0x10000000;
const SECOND_STAGE = 0x20041f00; // where the chip's own program puts it
const NEAR_ZERO = 64;
const BRANCH_TO_ITSELF = 0xe7fe;
const WATCHDOG = 0x40058;
// The voltages at sensors and trimmers reach GP26 and GP27, and both trimmers GP28, by resistors
// that join at GP21 and GP22 on their way (pico.md). In ohm and volt.
const TRIMMER_PINS = [21, 22];
const WIRE_OHM = 100e3;
const GATE_SUPPLY = 5;
const TRIMMER_OHM = 20e3; // R3 and RV1
const REFERENCE = 3.3;
const CHIP_RESET = 0x40064;
const CHIP_RESET_OFFSET = 8;
const BY_POWER = 0x100;
const QUIET = { debug() {}, info() {}, warn() {} };

export function readUf2(file) {
  const program = Buffer.alloc(0x40000, 0xff);
  for (let at = 0; at < file.length; at += 512) {
    const block = file.subarray(at, at + 512);
    const right =
      block.length === 512 &&
      block.readUInt32LE(0) === 0x0a324655 &&
      block.readUInt32LE(4) === 0x9e5d5157 &&
      block.readUInt32LE(508) === 0x0ab16f30 &&
      block.readUInt32LE(28) === 0xe48bff56; // the chip takes no block of another family
    if (!right) throw new Error(`no UF2 block for an RP2040 at byte ${at}`);
    const bytes = block.readUInt32LE(16);
    block.copy(program, block.readUInt32LE(12) - FLASH, 32, 32 + bytes);
  }
  return program;
}

export class Chip {
  // `outside`: the cycle of power-up, and what the pins and the watchdog are connected to; then
  // what the registers say about the start: CHIP_RESET, and the chip whose watchdog struck.
  constructor(program, { startCycle, onPulse, onWatchdog, levels, analog, chipReset = BY_POWER, struck }) {
    this.cycle = startCycle;
    this.pioCycle = startCycle;
    this.steady = true;
    const chip = (this.rp = new RP2040());
    chip.logger = {
      ...QUIET,
      error(name, text) {
        throw new Error(`${name}: ${text}`);
      },
    };
    chip.flash.set(program);
    this.pio = chip.pio[0];
    this.pio.run = () => {};
    this.clock = chip.clock;
    this.#follow(chip, onPulse);
    chip.peripherals[CHIP_RESET].readUint32 = (offset) => {
      if (offset !== CHIP_RESET_OFFSET) throw new Error(`no register ${offset} of the regulator`);
      return chipReset;
    };
    const watchdog = (this.watchdog = chip.peripherals[WATCHDOG]);
    if (struck) {
      watchdog.reason = struck.watchdog.reason;
      watchdog.scratchData.set(struck.watchdog.scratchData);
    }
    watchdog.onWatchdogTrigger = () => {
      watchdog.alarm.enable = false; // it would strike again and again within the same cycle
      onWatchdog();
    };
    levels.forEach((level, gate) => chip.gpio[2 + gate].setInputValue(!!level));
    chip.adc.onADCRead = (channel) => {
      // The converter's capacitor brings some charge from one input to the next.
      const volt = this.#voltage(channel, analog);
      const left = channel === chip.adc.currentChannel ? 0 : 0.1;
      const before = this.#voltage(chip.adc.currentChannel, analog);
      chip.adc.channelValues[channel] = this.#convert((1 - left) * volt + left * before);
      chip.adc.currentChannel = channel;
      chip.adc.sampleAlarm.schedule(chip.adc.sampleTime * 1000);
    };
    // What the chip's own program does: the second stage into the RAM, and on to it.
    chip.sram.set(program.subarray(0, 256), SECOND_STAGE - 0x20000000);
    chip.core.SP = SECOND_STAGE;
    chip.core.LR = 0;
    chip.core.PC = SECOND_STAGE;
  }

  #convert(volt) {
    return Math.max(0, Math.min(4095, Math.floor((volt / REFERENCE) * 4096)));
  }

  #voltage(channel, { light, trim }) {
    if (channel < 2) return light[channel];
    const ways = trim.map((volt, gate) => {
      const { outputEnable, outputValue } = this.rp.gpio[TRIMMER_PINS[gate]];
      if (outputEnable) return { volt: outputValue ? REFERENCE : 0, ohm: WIRE_OHM };
      const part = volt / GATE_SUPPLY;
      return { volt, ohm: part * (1 - part) * TRIMMER_OHM + 2 * WIRE_OHM };
    });
    const [a, b] = ways;
    return (a.volt / a.ohm + b.volt / b.ohm) / (1 / a.ohm + 1 / b.ohm);
  }

  #follow(chip, onPulse) {
    const { pio } = this;
    const read = pio.readUint32.bind(pio);
    const write = pio.writeUint32.bind(pio);
    pio.readUint32 = (offset) => {
      this.#catchUp(this.cycle);
      return read(offset);
    };
    pio.writeUint32 = (offset, value) => {
      this.#catchUp(this.cycle);
      this.steady = false;
      write(offset, value);
    };
    const bank = chip.peripherals[0x40014];
    const writeBank = bank.writeUint32.bind(bank);
    bank.writeUint32 = (offset, value) => {
      this.#catchUp(this.cycle);
      this.steady = false;
      writeBank(offset, value);
    };
    const pulse = chip.gpio[4]; // a pin that drives also reads what it drives
    pulse.addListener((state) => {
      if (state !== GPIOPinState.High && state !== GPIOPinState.Low) return;
      this.setPin(4, state === GPIOPinState.High, this.cycle);
      onPulse(state === GPIOPinState.High);
    });
  }

  // A pin has its new level from the cycle `at` on; that may lie inside the last instruction.
  setPin(pin, level, at) {
    this.#catchUp(at);
    this.steady = false;
    this.rp.gpio[pin].setInputValue(!!level);
  }

  // A loop repeats after two cycles if nothing but X differs; compared by everything that the
  // program can change.
  #state() {
    return this.pio.machines.map((m) =>
      m.enabled
        ? [m.pc, m.y, m.inputShiftReg, m.inputShiftCount, m.outputShiftReg, m.waiting,
           m.rxFIFO.itemCount, m.txFIFO.itemCount].join()
        : '-',
    );
  }

  #step() {
    for (const machine of this.pio.machines) if (machine.enabled) machine.step();
    this.pioCycle++;
  }

  #catchUp(target) {
    const { machines } = this.pio;
    while (this.pioCycle < target) {
      if (target - this.pioCycle < 4) {
        this.#step();
        continue;
      }
      const before = this.#state();
      const x = machines.map((m) => m.x);
      this.#step();
      this.#step();
      this.steady =
        this.#state().every((state, n) => state === before[n]) &&
        machines.every((m, n) => !m.enabled || (x[n] - m.x) >>> 0 === 1);
      if (!this.steady) continue;
      let turns = Math.floor((target - this.pioCycle) / 2);
      for (const m of machines) if (m.enabled) turns = Math.min(turns, m.x - NEAR_ZERO);
      if (turns <= 0) continue;
      for (const m of machines) if (m.enabled) m.x -= turns;
      this.pioCycle += 2 * turns;
    }
  }

  // The cycle at which something happens inside the chip by itself.
  get nextAlarm() {
    const alarm = this.clock.nextAlarm;
    return alarm ? this.cycle + Math.ceil((alarm.nanos - this.clock.nanos) / NANOS_PER_CYCLE) : Infinity;
  }

  // One instruction, or sleep up to the cycle `until` at most: how many cycles that took. What
  // happened outside meanwhile comes next, then settle().
  run(until) {
    const { core } = this.rp;
    if (!core.waiting) return this.#pass(core.executeInstruction());
    const longest = this.steady ? Infinity : 16;
    return this.#pass(Math.max(1, Math.min(until - this.cycle, this.nextAlarm - this.cycle, longest)));
  }

  #pass(cycles) {
    this.cycle += cycles;
    return cycles;
  }

  settle(cycles) {
    if (!this.steady && this.cycle - this.pioCycle >= 4) this.#catchUp(this.cycle);
    this.clock.tick(cycles * NANOS_PER_CYCLE);
  }

  // The level that the chip's own resistor gives a pin to which nothing is connected.
  pulled(pin) {
    const { pullupEnabled, pulldownEnabled } = this.rp.gpio[pin];
    if (pullupEnabled === pulldownEnabled) throw new Error(`pin ${pin} floats`);
    return pullupEnabled;
  }

  // The instruction to come is replaced by a jump to itself, unless a handler is running.
  hang() {
    const { core } = this.rp;
    if (core.IPSR || core.PC < 0x20000000) return false;
    this.rp.writeUint16(core.PC & ~1, BRANCH_TO_ITSELF);
    core.waiting = false;
    return true;
  }
}
