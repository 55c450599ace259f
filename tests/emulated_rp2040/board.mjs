/* An RP2040 board with two gates, emulated by rp2040js.
 *
 *   node board.mjs FIRMWARE.uf2 SCRIPT [--fd N] [--pace FACTOR] [--until CYCLE] [--usb FILE]
 *                 [--seed NUMBER]
 *
 * SCRIPT holds one event a line, in the order of the cycles of 8 ns (counted from power-up):
 *
 *   CYCLE A 1        gate A's pin goes high          CYCLE B 0        gate B's pin goes low
 *   CYCLE reset HEX  a restart that leaves this in CHIP_RESET
 *   CYCLE unplug A   gate A's cable is pulled out
 *   CYCLE light A MV  the voltage at gate A's sensor; CYCLE trim A MV that at its trimmer
 *   CYCLE reset      power off and on                CYCLE hang       the program is stuck
 *   CYCLE send HEX   bytes from the host             CYCLE open, close   the port, by a program
 *   CYCLE deaf, hear    whether the host takes what the board has to send
 *   CYCLE hold, release    whether the DMA is kept from the bus
 *   CYCLE wire A RISE FALL JITTER INVERT    from here on gate A follows the pulse pin, so many
 *                    cycles later, JITTER of them at random to and fro, upside down if INVERT is 1
 *
 * The board's bytes go to standard output. With --fd they go to that file descriptor, the
 * master side of a terminal; the run waits for a line on standard input, and ends with its end.
 * --pace 1 is real time; without it the run is as fast as it can be. --usb writes what the host
 * asked when the board was plugged in and what it answered, as JSON.
 */
import fs from 'node:fs';
import { Chip, readUf2 } from './chip.mjs';
import { UsbHost } from './usb_host.mjs';

const FREQUENCY = 125e6;
const TURN = FREQUENCY / 1000;
const PIN_OF = { A: 2, B: 3 };

function fail(text) {
  process.stderr.write(`board: ${text}\n`);
  process.exit(2);
}

function readScript(path) {
  const events = [];
  for (const line of fs.readFileSync(path, 'ascii').split('\n')) {
    if (!line) continue;
    const [cycle, kind, ...rest] = line.split(' ');
    events.push({ cycle: Number(cycle), kind, rest });
  }
  events.forEach((event, n) => {
    if (n && !(event.cycle >= events[n - 1].cycle)) fail(`out of order: ${event.cycle}`);
  });
  return events;
}

// Random numbers between -1 and 1, the same ones for the same seed (xorshift).
let seed = 1;
function random() {
  seed ^= seed << 13;
  seed ^= seed >>> 17;
  seed ^= seed << 5;
  return (seed >>> 0) / 2 ** 31 - 1;
}

class Board {
  constructor(firmware, script, out) {
    this.program = readUf2(fs.readFileSync(firmware));
    this.script = readScript(script);
    this.done = 0;
    this.out = out;
    this.kept = [];
    this.levels = [0, 0];
    this.analog = { light: [1.03, 1.03], trim: [0.467, 0.467] }; // volt, as gate.md has them
    this.wires = {};
    this.coming = []; // what wires bring, in order
    this.deaf = this.hungWanted = this.resetWanted = false;
    this.open = true;
    this.nextEvent = this.findNextEvent();
    this.powerUp(0);
  }

  powerUp(cycle, cause = {}) {
    this.chip = new Chip(this.program, {
      startCycle: cycle,
      levels: this.levels,
      analog: this.analog,
      onPulse: (high) => this.follow(high),
      onWatchdog: () => (this.resetWanted = { struck: this.chip }),
      ...cause,
    });
    this.host = new UsbHost(this.chip, (bytes) => this.write(bytes), () => this.deaf || this.stuck());
    this.host.setOpen(this.open);
  }

  follow(high) {
    for (const [gate, { rise, fall, jitter, invert }] of Object.entries(this.wires)) {
      const cycle = Math.ceil(this.chip.cycle + (high ? rise : fall) + jitter * random());
      this.coming.push({ cycle, gate, level: high !== invert });
    }
    this.coming.sort((a, b) => a.cycle - b.cycle);
    this.nextEvent = this.findNextEvent();
  }

  perform({ cycle, kind, rest }) {
    const { chip, host } = this;
    if (kind in PIN_OF) this.setGate(kind, rest[0] === '1', cycle);
    else if (kind === 'reset') this.resetWanted = { chipReset: rest[0] && parseInt(rest[0], 16) };
    else if (kind === 'unplug') this.setGate(rest[0], chip.pulled(PIN_OF[rest[0]]), cycle);
    else if (kind in this.analog) this.analog[kind]['AB'.indexOf(rest[0])] = rest[1] / 1000;
    else if (kind === 'hang') this.hungWanted = true;
    else if (kind === 'send') host.send(Buffer.from(rest[0], 'hex'));
    else if (kind === 'open' || kind === 'close') host.setOpen((this.open = kind === 'open'));
    else if (kind === 'deaf') this.deaf = true;
    else if (kind === 'hear') (this.deaf = false), host.poll();
    else if (kind === 'hold') chip.rp.dma.channels.forEach((c) => (c.scheduleTransfer = () => {}));
    else if (kind === 'release')
      chip.rp.dma.channels.forEach((c) => {
        delete c.scheduleTransfer;
        if (c.active) c.scheduleTransfer();
      });
    else if (kind === 'wire') {
      const [gate, rise, fall, jitter, invert] = rest;
      const [r, f, j] = [rise, fall, jitter].map(Number);
      this.wires[gate] = { rise: r, fall: f, jitter: j, invert: invert === '1' };
      this.setGate(gate, invert === '1', cycle);
    } else fail(`not an event: ${kind}`);
  }

  setGate(gate, level, cycle) {
    this.levels['AB'.indexOf(gate)] = level;
    this.chip.setPin(PIN_OF[gate], level, cycle);
  }

  findNextEvent() {
    const planned = this.done < this.script.length ? this.script[this.done].cycle : Infinity;
    return this.coming.length ? Math.min(planned, this.coming[0].cycle) : planned;
  }

  performDue() {
    while (this.nextEvent <= this.chip.cycle) {
      const [first] = this.coming;
      if (first && first.cycle === this.nextEvent) {
        this.coming.shift();
        this.setGate(first.gate, first.level, first.cycle);
      } else this.perform(this.script[this.done++]);
      this.nextEvent = this.findNextEvent();
    }
  }

  runTo(until) {
    while (this.chip.cycle < until) {
      const { chip } = this;
      const cycles = chip.run(Math.min(until, this.nextEvent));
      if (this.nextEvent <= chip.cycle) this.performDue();
      chip.settle(cycles);
      if (this.hungWanted && chip.hang()) this.hungWanted = false;
      if (this.resetWanted) {
        const cause = this.resetWanted;
        this.resetWanted = false;
        this.powerUp(chip.cycle, cause);
      }
    }
  }

  write(bytes) {
    this.kept.push(bytes);
    this.flush();
  }

  // A terminal takes only so much at a time.
  flush() {
    while (this.kept.length) {
      try {
        const count = fs.writeSync(this.out, this.kept[0]);
        if (count === this.kept[0].length) this.kept.shift();
        else this.kept[0] = this.kept[0].subarray(count);
      } catch (error) {
        if (error.code !== 'EAGAIN') throw error;
        return;
      }
    }
  }

  stuck() {
    return this.kept.length > 0;
  }
}

function readSome(fd) {
  const bytes = Buffer.alloc(256);
  try {
    const count = fs.readSync(fd, bytes, 0, bytes.length, null);
    return count ? bytes.subarray(0, count) : null; // null: the end
  } catch (error) {
    if (error.code === 'EAGAIN') return Buffer.alloc(0);
    if (error.code === 'EOF') return null;
    throw error;
  }
}

function main(firmware, script, ...options) {
  const given = {};
  for (let n = 0; n < options.length; n += 2) given[options[n]] = options[n + 1];
  const until = given['--until'] ? Number(given['--until']) : Infinity;
  const pace = Number(given['--pace'] ?? 0);
  seed = Math.imul(2654435769, 1 + Number(given['--seed'] ?? 0)) >>> 0;
  for (let n = 0; n < 16; n++) random();
  if (!given['--fd']) {
    if (until === Infinity) fail('without --fd an --until is needed');
    const board = new Board(firmware, script, 1);
    board.runTo(until);
    while (board.stuck()) board.flush();
    if (given['--usb']) fs.writeFileSync(given['--usb'], JSON.stringify(board.host.log));
    return;
  }
  const fd = Number(given['--fd']);
  const board = new Board(firmware, script, fd);
  process.stdin.once('data', () => {
    const start = process.hrtime.bigint();
    const turn = () => {
      if (board.chip.cycle >= until) return; // what is unread stays readable until the end
      board.runTo(Math.min(until, board.chip.cycle + TURN));
      const heard = readSome(fd);
      if (heard && heard.length) board.host.send(heard);
      if (board.stuck()) {
        board.flush();
        if (!board.stuck()) board.host.poll();
      }
      const passed = Number(process.hrtime.bigint() - start) / 1e6;
      const ahead = pace ? (board.chip.cycle / FREQUENCY / pace) * 1000 - passed : 0;
      if (ahead > 1) setTimeout(turn, ahead);
      else setImmediate(turn);
    };
    turn();
  });
  process.stdin.once('end', () => process.exit(0));
}

main(...process.argv.slice(2));
