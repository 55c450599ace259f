// A USB host that is as strict as a real one: it asks what systems ask when a device is plugged
// in, names its packets DATA0 and DATA1 in turn and refuses a device that does not, and takes
// 55 us for a packet of 64 bytes. What systems ask is from memory.

const PACKET_NANOS = 55000;
const RESET_NANOS = 2e6;
const FULL = 1 << 15;
const DATA1 = 1 << 13;
const STALL = 1 << 11;
const AVAILABLE = 1 << 10;
const LENGTH = 0x3ff;
const BUFFER_CTRL = 0x80;
const PULL_UP = 1 << 16;
const BUS_RESET = 1 << 19;
const SIE_CTRL = 0x4c;
const SETTLING_CYCLES = 12; // USB's clock is slower: a buffer is described first, then given
const [TO_HOST, FROM_HOST] = [0, 1];

const setup = (kind, request, value, index, length) =>
  Buffer.from([kind, request, value & 255, value >> 8, index & 255, index >> 8, length & 255, length >> 8]);

export class UsbHost {
  // `onBytes` takes what the device sends; true from `isDeaf` keeps the host from asking.
  constructor(chip, onBytes, isDeaf) {
    this.chip = chip;
    this.usb = chip.rp.usbCtrl;
    this.ram = chip.rp.usbDPRAMView;
    this.onBytes = onBytes;
    this.isDeaf = isDeaf;
    this.waiting = new Set();
    this.toSend = [];
    this.described = new Map();
    this.names = new Map();
    this.log = [];
    this.ready = false;
    this.usb.DPRAMUpdated = (offset, value) => this.#watchBuffer(offset, value);
    const write = this.usb.writeUint32.bind(this.usb);
    this.usb.writeUint32 = (offset, value) => {
      write(offset, value);
      if (offset === SIE_CTRL && value & PULL_UP && !this.plugged) this.#plug();
    };
  }

  #plug() {
    this.plugged = true;
    this.#after(RESET_NANOS, () => this.#run(this.#enumerate()));
  }

  #after(nanos, action) {
    this.chip.clock.createAlarm(action).schedule(nanos);
  }

  #watchBuffer(offset, value) {
    if (offset < BUFFER_CTRL || offset >= 0x100 || !value) return;
    const { cycles } = this.chip.rp.core;
    if (value & AVAILABLE) {
      const before = this.described.get(offset);
      if (!before || before.value !== (value & ~AVAILABLE) || cycles - before.cycles < SETTLING_CYCLES)
        throw new Error('a buffer was given away before it was described');
    } else {
      this.described.set(offset, { value, cycles });
    }
    for (const wait of [...this.waiting]) this.#look(wait);
  }

  // Goes on with a script whenever what it waits for is there: an endpoint's buffer, or time.
  #run(script, sent) {
    const { value: wait, done } = script.next(sent);
    if (done) return;
    if (wait.nanos !== undefined) {
      this.#after(wait.nanos, () => this.#run(script));
      return;
    }
    wait.script = script;
    this.waiting.add(wait);
    this.#look(wait);
  }

  #look(wait) {
    const control = this.ram.getUint32(BUFFER_CTRL + 8 * wait.endpoint + 4 * wait.direction, true);
    if (!(control & (AVAILABLE | STALL)) || (wait.unless && wait.unless())) return;
    this.waiting.delete(wait);
    this.#after(PACKET_NANOS, () => this.#run(wait.script, control));
  }

  poll() {
    for (const wait of [...this.waiting]) this.#look(wait);
  }

  // One packet; null: the device refused.
  *#packet(endpoint, direction, bytes, unless) {
    const control = yield { endpoint, direction, unless };
    if (control & STALL) return null;
    const place = BUFFER_CTRL + 8 * endpoint + 4 * direction;
    const key = 2 * endpoint + direction;
    const name = this.names.get(key) ?? 0;
    if (!!(control & DATA1) !== !!name) throw new Error(`wrong packet name on endpoint ${endpoint}`);
    this.names.set(key, name ^ 1);
    const buffer = this.usb.getEndpointBufferOffset(endpoint, direction === FROM_HOST);
    const { usbDPRAM } = this.chip.rp;
    let moved;
    if (direction === TO_HOST) {
      if (!(control & FULL)) throw new Error('a packet to the host that is not full');
      moved = Buffer.from(usbDPRAM.slice(buffer, buffer + (control & LENGTH)));
      this.ram.setUint32(place, control & ~(AVAILABLE | FULL), true);
    } else {
      moved = bytes();
      usbDPRAM.set(moved, buffer);
      this.ram.setUint32(place, (control & ~(AVAILABLE | LENGTH)) | FULL | moved.length, true);
    }
    this.usb.indicateBufferReady(endpoint, direction === FROM_HOST);
    return moved;
  }

  // A control transfer: what the device answered, null if it refused.
  *#control(packet, out) {
    for (const place of [BUFFER_CTRL, BUFFER_CTRL + 4]) this.ram.setUint32(place, 0, true);
    this.usb.epStallArm = 0;
    this.names.set(TO_HOST, 1);
    this.names.set(FROM_HOST, 1);
    this.usb.sendSetupPacket(packet);
    const asked = packet.readUInt16LE(6);
    if (packet[0] & 0x80) {
      let answer = Buffer.alloc(0);
      for (;;) {
        const part = yield* this.#packet(0, TO_HOST);
        if (!part) return null;
        answer = Buffer.concat([answer, part]);
        if (answer.length > asked) throw new Error('more than was asked for');
        if (part.length < 64 || answer.length === asked) break;
      }
      yield* this.#packet(0, FROM_HOST, () => Buffer.alloc(0));
      return answer;
    }
    if (out && !(yield* this.#packet(0, FROM_HOST, () => out))) return null;
    this.names.set(TO_HOST, 1);
    const address = this.usb.addrEndp;
    const end = yield* this.#packet(0, TO_HOST, null, () => {
      if (this.usb.addrEndp !== address) throw new Error('an address taken too early');
    });
    if (end && end.length) throw new Error('an end with bytes in it');
    return end;
  }

  *#ask(packet, out) {
    const answer = yield* this.#control(packet, out);
    this.log.push([packet.toString('hex'), answer && answer.toString('hex')]);
    return answer;
  }

  *#reset() {
    this.usb.sieStatus |= BUS_RESET;
    this.usb.sieStatusUpdated();
    yield { nanos: RESET_NANOS };
    if (this.usb.addrEndp) throw new Error('a device that keeps its address through a reset');
  }

  *#enumerate() {
    yield* this.#reset();
    yield* this.#ask(setup(0x80, 6, 0x100, 0, 64));
    yield* this.#reset();
    yield* this.#ask(setup(0x00, 5, 11, 0, 0));
    yield { nanos: RESET_NANOS };
    if (this.usb.addrEndp !== 11) throw new Error('a device that does not take its address');
    const device = yield* this.#ask(setup(0x80, 6, 0x100, 0, 18));
    yield* this.#ask(setup(0x80, 6, 0x600, 0, 10)); // only faster devices have it
    const head = yield* this.#ask(setup(0x80, 6, 0x200, 0, 9));
    yield* this.#ask(setup(0x80, 6, 0x200, 0, head.readUInt16LE(2)));
    yield* this.#ask(setup(0x80, 6, 0x200, 0, 255));
    yield* this.#ask(setup(0x80, 6, 0x300, 0, 255));
    yield* this.#ask(setup(0x80, 6, 0x300 | device[15], 0x409, 255));
    yield* this.#ask(setup(0x80, 6, 0x300 | device[14], 0x409, 4));
    yield* this.#ask(setup(0x80, 0, 0, 0, 2));
    yield* this.#ask(setup(0x00, 9, 1, 0, 0));
    yield* this.#ask(setup(0x80, 8, 0, 0, 1));
    yield* this.#ask(setup(0xa1, 0x21, 0, 0, 7));
    yield* this.#ask(setup(0x21, 0x20, 0, 0, 7), Buffer.from([0x90, 0xd0, 3, 0, 0, 0, 8]));
    yield* this.#ask(setup(0xa1, 0x21, 0, 0, 7));
    yield* this.#ask(setup(0xc0, 1, 0, 0, 8)); // a vendor's question
    for (const endpoint of [2, 2]) for (const d of [0, 1]) this.names.set(2 * endpoint + d, 0);
    this.#run(this.#listen());
    this.#run(this.#speak());
    this.ready = true;
    yield* this.#lineState();
  }

  // A program opens or closes the port.
  *#lineState() {
    while (this.openWanted !== this.opened) {
      this.opened = this.openWanted;
      yield* this.#ask(setup(0x21, 0x22, this.opened ? 3 : 0, 0, 0));
    }
  }

  openWanted = true;
  opened = false;

  setOpen(open) {
    this.openWanted = open;
    if (this.ready && this.opened !== open) this.#run(this.#lineState());
  }

  *#listen() {
    const deaf = () => !this.opened || this.isDeaf();
    let delivery = Buffer.alloc(0); // it ends with the first packet that is not full
    for (;;) {
      const part = yield* this.#packet(2, TO_HOST, null, deaf);
      delivery = Buffer.concat([delivery, part]);
      if (part.length === 64) continue;
      this.onBytes(delivery);
      delivery = Buffer.alloc(0);
    }
  }

  *#speak() {
    const nothing = () => !this.toSend.length;
    for (;;) yield* this.#packet(2, FROM_HOST, () => Buffer.from(this.toSend.splice(0, 64)), nothing);
  }

  send(bytes) {
    this.toSend.push(...bytes);
    this.poll();
  }
}
