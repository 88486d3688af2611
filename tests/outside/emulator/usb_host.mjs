// A USB host for the emulated RP2040: enumerates the bridge as an operating system does, then carries bytes to and from one
// of its two interfaces. Bytes can be sent to the other one as well, but nobody fetches what comes from there.
// It is stricter than the emulator: it looks at data toggles, at the order in which buffers are handed over, and at every
// descriptor that it is given.

const DATA1 = 1 << 13;
const STALL = 1 << 11;
const AVAILABLE = 1 << 10;
const PACKET = 64;
const TRANSFER = 4096;
// A packet and what belongs to it takes about this long on a full-speed bus: 12 bits a microsecond, with stuffing and gaps.
const packetNanos = (bytes) => 8_000 + (bytes * 8 * 1000) / 11;

export const DEVICE = 1, CONFIGURATION = 2, STRING = 3;

export class UsbHost {
  // `interfaceClass` of the interface that carries the bytes: 0x0A the serial port's data, 0xFF the vendor's.
  constructor(rp2040, interfaceClass, onBytes) {
    this.usb = rp2040.usbCtrl;
    this.clock = rp2040.clock;
    this.interfaceClass = interfaceClass;
    this.onBytes = onBytes;
    this.descriptors = {};
    this.lastWritten = new Map();
    this.forget();
    this.listen();
  }

  // A device that was reset is a new one.
  forget() {
    this.transfer = null;
    this.outs = new Map(); // by endpoint: bytes that wait, and whether the device listens
    this.transferIn = [];
    this.endpoints = {}; // in, out, and the other interface's out
    this.toggles = new Map();
    this.ready = false;
  }

  resetBus() {
    this.ready = false;
    this.usb.resetDevice();
  }

  fail(text) {
    throw new Error(`USB host at ${(this.clock.nanos / 1e6).toFixed(3)} ms: ${text}`);
  }

  listen() {
    const { usb } = this;
    usb.onUSBEnabled = () => usb.resetDevice();
    usb.onResetReceived = () => {
      this.forget();
      this.enumerate().catch((why) => (this.broken = why));
    };
    usb.onEndpointWrite = (endpoint, bytes) => this.hearPacket(endpoint, bytes);
    usb.onEndpointRead = (endpoint, size) => this.deviceListens(endpoint, size);
    const update = usb.DPRAMUpdated.bind(usb);
    usb.DPRAMUpdated = (offset, value) => {
      if (offset >= 0x80 && offset < 0x100) this.watchBufferControl(offset, value);
      update(offset, value);
    };
    // The emulator says at once that a packet to the host has gone; the wire takes its time.
    usb.writeDelayMicroseconds = packetNanos(PACKET) / 1000;
    const done = usb.indicateBufferReady.bind(usb);
    const alarms = Array.from({ length: 16 }, (_, endpoint) => this.clock.createAlarm(() => done(endpoint, false)));
    usb.indicateBufferReady = (endpoint, out) => {
      if (out) done(endpoint, true);
      else if (endpoint === 0 || endpoint === this.endpoints.in) alarms[endpoint].schedule(packetNanos(PACKET));
    };
  }

  // What the emulator lets pass and silicon would not.
  watchBufferControl(offset, value) {
    const before = this.lastWritten.get(offset) ?? 0;
    this.lastWritten.set(offset, value);
    if ((value & STALL) && offset < 0x88) this.stalled();
    if (!(value & AVAILABLE)) return;
    if ((value & ~AVAILABLE) !== before) this.fail(`buffer control 0x${offset.toString(16)} was changed and handed over in one write`);
    const toggle = value & DATA1 ? 1 : 0;
    const expected = this.toggles.get(offset) ?? 0;
    if (toggle !== expected) this.fail(`buffer control 0x${offset.toString(16)}: DATA${toggle}, not DATA${expected}`);
    this.toggles.set(offset, 1 - expected);
  }

  // ---- Control transfers

  control(type, request, value, index, length, data) {
    if (this.transfer) this.fail("a control transfer before the last one has ended");
    this.toggles.set(0x80, 1); // both directions begin with DATA1
    this.toggles.set(0x84, 1);
    const promise = new Promise((resolve, reject) => {
      this.transfer = { fromDevice: !!(type & 0x80), length, data, got: [], dataDone: length === 0, resolve, reject };
    });
    const packet = Uint8Array.of(type, request, value & 255, value >> 8, index & 255, index >> 8, length & 255, length >> 8);
    // A while later, so that what ends the transfer before has arrived.
    this.clock.createAlarm(() => this.usb.sendSetupPacket(packet)).schedule(200_000);
    return promise;
  }

  endTransfer() {
    const { resolve, got } = this.transfer;
    this.transfer = null;
    resolve(Uint8Array.from(got));
  }

  stalled() {
    if (!this.transfer) return;
    const { reject } = this.transfer;
    this.transfer = null;
    reject(new Error("stalled"));
  }

  hearControlPacket(bytes) {
    const { transfer } = this;
    if (!transfer) this.fail("a control packet that nobody asked for");
    if (!transfer.fromDevice || transfer.length === 0) {
      if (bytes.length > 0 || !transfer.dataDone) this.fail("an acknowledgement that is none");
      this.endTransfer();
      return;
    }
    transfer.got.push(...bytes);
    if (transfer.got.length > transfer.length) this.fail(`${transfer.got.length} bytes where ${transfer.length} were asked for`);
    // A short packet ends it, or as many bytes as were asked for. The device then listens for the empty packet that ends all.
    if (bytes.length < PACKET || transfer.got.length === transfer.length) transfer.dataDone = true;
    if (transfer.dataDone && transfer.listening) this.sendStatus();
  }

  sendStatus() {
    this.usb.endpointReadDone(0, new Uint8Array(0));
    this.endTransfer();
  }

  deviceListensToControl() {
    const { transfer } = this;
    if (!transfer) this.fail("the control endpoint listens for nothing");
    if (transfer.fromDevice) {
      if (transfer.dataDone) this.sendStatus();
      else transfer.listening = true;
    } else {
      this.usb.endpointReadDone(0, Uint8Array.from(transfer.data));
      transfer.dataDone = true;
    }
  }

  // ---- Enumeration

  descriptor(type, index, length, language = 0) {
    return this.control(0x80, 6, (type << 8) | index, language, length);
  }

  async text(index) {
    const bytes = await this.descriptor(STRING, index, 255, 0x0409);
    if (bytes[0] !== bytes.length || bytes[1] !== STRING) this.fail(`string ${index} is not as long as it says`);
    return String.fromCharCode(...new Uint16Array(bytes.slice(2).buffer));
  }

  async enumerate() {
    const start = await this.descriptor(DEVICE, 0, 64);
    if (start.length !== 18) this.fail(`a device descriptor of ${start.length} bytes`);
    await this.control(0x00, 5, 7, 0, 0); // address 7
    const device = await this.descriptor(DEVICE, 0, 18);
    const head = await this.descriptor(CONFIGURATION, 0, 9);
    const total = head[2] | (head[3] << 8);
    const configuration = await this.descriptor(CONFIGURATION, 0, total);
    if (configuration.length !== total) this.fail(`a configuration of ${configuration.length} bytes that says ${total}`);
    const more = await this.descriptor(CONFIGURATION, 0, 1024);
    if (more.length !== total) this.fail(`${more.length} bytes of a configuration of ${total} when asked for 1024`);
    const qualifier = await this.descriptor(6, 0, 10).catch((why) => why.message);
    const texts = {};
    for (const index of new Set([device[14], device[15], device[16], ...interfaceTexts(configuration)])) {
      if (index) texts[index] = await this.text(index);
    }
    await this.control(0x00, 9, 1, 0, 0);
    const chosen = (await this.control(0x80, 8, 0, 0, 1))[0];
    const coding = [0x00, 0x10, 0x0e, 0x00, 0, 0, 8]; // 921600 baud, 8N1
    await this.control(0x21, 0x20, 0, 0, 7, coding);
    const codingBack = [...(await this.control(0xa1, 0x21, 0, 0, 7))];
    await this.control(0x21, 0x22, 3, 0, 0); // DTR and RTS
    const address = this.usb.addrEndp & 0x7f;
    this.descriptors = { device: [...device], configuration: [...configuration], texts, qualifier, chosen, coding, codingBack, address };
    this.findEndpoints(configuration);
    this.ready = true;
  }

  findEndpoints(configuration) {
    let ours = false;
    for (const part of parts(configuration)) {
      if (part[1] === 4) ours = part[5] === this.interfaceClass;
      if (part[1] !== 5 || (part[3] & 3) !== 2) continue;
      if (!(part[2] & 0x80)) this.endpoints[ours ? "out" : "otherOut"] = part[2];
      else if (ours) this.endpoints.in = part[2] & 15;
    }
    if (Object.keys(this.endpoints).length !== 3) this.fail("not two interfaces with two bulk endpoints each");
  }

  // ---- Bytes

  out(endpoint) {
    if (!this.outs.has(endpoint)) this.outs.set(endpoint, { waiting: [], armed: false });
    return this.outs.get(endpoint);
  }

  send(bytes, toOther) {
    const endpoint = toOther ? this.endpoints.otherOut : this.endpoints.out;
    this.out(endpoint).waiting.push(...bytes);
    this.sendWaiting(endpoint);
  }

  sendWaiting(endpoint) {
    const out = this.out(endpoint);
    if (!out.armed || out.waiting.length === 0) return;
    const packet = Uint8Array.from(out.waiting.splice(0, PACKET));
    out.armed = false;
    this.usb.endpointReadDone(endpoint, packet, packetNanos(packet.length) / 1000);
  }

  deviceListens(endpoint, size) {
    if (endpoint === 0) return this.deviceListensToControl();
    if (size !== PACKET) this.fail(`endpoint ${endpoint} listens for ${size} bytes`);
    this.out(endpoint).armed = true;
    this.sendWaiting(endpoint);
  }

  hearPacket(endpoint, bytes) {
    if (endpoint === 0) return this.hearControlPacket(bytes);
    if (endpoint !== this.endpoints.in) return;
    // As an operating system reads: a transfer ends with a packet that is not full, or when all that was asked for is there.
    this.transferIn.push(...bytes);
    if (bytes.length === PACKET && this.transferIn.length < TRANSFER) return;
    this.onBytes(this.transferIn);
    this.transferIn = [];
  }
}

// The descriptors of a configuration, one after another.
export function* parts(configuration) {
  for (let at = 0; at < configuration.length; at += configuration[at]) {
    if (configuration[at] < 2) throw new Error(`a descriptor of ${configuration[at]} bytes at ${at}`);
    yield configuration.slice(at, at + configuration[at]);
  }
}

function interfaceTexts(configuration) {
  return [...parts(configuration)].filter((part) => part[1] === 4).map((part) => part[8]);
}
