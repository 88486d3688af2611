// The RP2040 bridge in rp2040js, an emulator that nobody here wrote. The test drives it and holds the board:
//
//   node rp2040.mjs FOLDER_OF_RP2040JS FLASH_IMAGE serial|vendor
//
// It runs only when told to, in its own time, so a slow machine changes nothing. Both directions are binary; numbers are little-endian,
// times are nanoseconds since the start as 64 bits.
//
//   from the test   'h' count32 bytes   the USB host has these to send
//                   'o' count32 bytes   the same to the other interface, whose answers nobody fetches
//                   'g' until64         go on until then, or until bytes have come from the bridge
//                   'k' until64         the same, and the processor may sleep through most of it
//                   'b'                 the USB host resets the bus, and enumerates again
//                   'm' millivolts32    the voltage at the supply input
//                   'i'                 tell what the USB host has found out
//                   'p'                 tell how the pins are set
//   to the test     's' at64 hertz32 byte   an SPI byte begins; the answer is one byte, what comes back
//                   'r' at64 level      reset: 0 low, 1 high, 2 released
//                   'c' at64 hertz32    clock output, 0 where it is off
//                   'e' at64 count32 bytes   the end of 'g' or 'k', and what came over USB
//                   'j' count32 text    JSON, for 'i' and 'p'
import fs from "node:fs";
import { UsbHost } from "./usb_host.mjs";

const [folder, imagePath, pipe] = process.argv.slice(2);
const { RP2040, ConsoleLogger, LogLevel } = await import(`${folder}/dist/esm/index.js`);

// ---- The test

const fromTest = 0, toTest = 1;

function read(count) {
  const bytes = Buffer.alloc(count);
  for (let have = 0; have < count; ) {
    const got = fs.readSync(fromTest, bytes, have, count - have);
    if (got === 0) process.exit(0);
    have += got;
  }
  return bytes;
}

function say(kind, at, extra = Buffer.alloc(0)) {
  const head = Buffer.alloc(9);
  head.write(kind, "latin1");
  head.writeBigUInt64LE(BigInt(Math.round(at)), 1);
  const all = Buffer.concat([head, extra]);
  for (let done = 0; done < all.length; ) done += fs.writeSync(toTest, all, done);
}

function tell(value) {
  const text = Buffer.from(JSON.stringify(value));
  fs.writeSync(toTest, Buffer.concat([Buffer.from("j"), u32(text.length), text]));
}

const u32 = (value) => {
  const bytes = Buffer.alloc(4);
  bytes.writeUInt32LE(value);
  return bytes;
};

// ---- The chip

const MISO = 16, RESET = 17, SCK = 18, MOSI = 19, CLOCK_OUTPUT = 21, SUPPLY = 26;
const FUNCTION_SPI = 1, FUNCTION_CLOCK = 8;

const rp2040 = new RP2040();
rp2040.logger = new ConsoleLogger(LogLevel.Error, true);
const { clock, core, gpio } = rp2040;

// What the ROM does: 256 bytes are run from RAM, if their CRC is right (CRC-32/MPEG-2).
function boot(image) {
  let crc = 0xffffffff;
  for (const byte of image.subarray(0, 252)) {
    crc ^= byte << 24;
    for (let bit = 0; bit < 8; bit++) crc = (crc << 1) ^ (crc & 0x80000000 ? 0x04c11db7 : 0);
  }
  if (crc >>> 0 !== image.readUInt32LE(252)) throw new Error("the ROM would not start this: the CRC of the second stage is wrong");
  rp2040.flash.set(image);
  rp2040.sram.set(image.subarray(0, 256), 0x41f00);
  rp2040.sram.fill(0xa5, 0, 0x41000); // nothing may count on zeros
  core.SP = 0x20041f00;
  core.LR = 0;
  core.PC = 0x20041f00;
}

// The ring oscillator's random bit, which the emulator does not have.
function addRandomBit() {
  const rosc = rp2040.peripherals[0x40060];
  const readBefore = rosc.readUint32.bind(rosc);
  rosc.readUint32 = (offset) => (offset === 0x1c ? (Math.random() < 0.5 ? 0 : 1) : readBefore(offset));
}

// The flash chip behind its interface, as far as it tells its own number: instruction 4B, four bytes, then eight of number.
function addFlashId(id) {
  const ssi = rp2040.peripherals[0x18000];
  const write = ssi.writeUint32.bind(ssi), readBefore = ssi.readUint32.bind(ssi);
  const ENABLE = 0x08, STATUS = 0x28, DATA = 0x60;
  let sent = [], queue = [];
  ssi.writeUint32 = (offset, value) => {
    if (offset === ENABLE) sent = queue = [];
    if (offset !== DATA) return write(offset, value);
    if (ssi.crtlr0 !== 7 << 16) throw new Error("the flash chip hears frames of another size than 8 bits");
    if (queue.length === 16) throw new Error("the flash interface's queue overflows");
    const back = sent[0] === 0x4b && sent.length >= 5 ? id[sent.length - 5] : 0xff;
    sent = [...sent, value];
    queue = [...queue, back];
  };
  ssi.readUint32 = (offset) => {
    if (offset === STATUS) return queue.length > 0 ? 0x0e : 0x06;
    if (offset !== DATA) return readBefore(offset);
    const [first, ...rest] = queue;
    queue = rest;
    return first;
  };
}

// ---- Its pins

let resetLevel = 2;

function resetChanged() {
  const pin = gpio[RESET];
  const level = pin.outputEnable ? (pin.outputValue ? 1 : 0) : 2;
  if (level !== resetLevel) {
    resetLevel = level;
    pin.setInputValue(level !== 0); // the board pulls it up
    say("r", clock.nanos, Buffer.of(level));
  }
}

const drivesBus = () => [SCK, MOSI].every((pin) => gpio[pin].functionSelect === FUNCTION_SPI) && gpio[MISO].functionSelect === FUNCTION_SPI;

// The emulator moves whole bytes and no edges. A byte that leaves while the pins are not the SPI unit's goes nowhere.
function connectSpi() {
  const spi = rp2040.spi[0];
  let answer = 0xff;
  const arrived = clock.createAlarm(() => spi.completeTransmit(answer));
  spi.onTransmit = (byte) => {
    const { clockFrequency, dataBits } = spi;
    answer = 0xff;
    if (drivesBus()) {
      say("s", clock.nanos, Buffer.concat([u32(Math.floor(clockFrequency)), Buffer.of(byte)]));
      answer = read(1)[0];
    }
    arrived.schedule((dataBits * 1e9) / clockFrequency);
  };
  // While the firmware waits for a byte it does nothing else: no need to run every turn of its loop.
  const readBefore = spi.readUint32.bind(spi);
  spi.readUint32 = (offset) => {
    if (offset === 0x0c && spi.busy && spi.rxFIFO.empty) clock.tick(Math.max(0, clock.nanosToNextAlarm));
    return readBefore(offset);
  };
}

// Of every pin of the board: whether it is driven, whether it is pulled, and by which unit.
function pinSettings() {
  const settings = (pin) => ({
    driven: pin.outputEnable && !pin.outputDisable,
    pulled: pin.pullupEnabled || pin.pulldownEnabled,
    unit: pin.functionSelect,
  });
  const pins = Object.entries({ MISO, RESET, SCK, MOSI, CLOCK_OUTPUT, SUPPLY });
  return Object.fromEntries(pins.map(([name, pin]) => [name, settings(gpio[pin])]));
}

let clockOutput = 0;

// The emulator has the registers of the clock output and no wave: the frequency is worked out from them (datasheet 2.15.3.3, 2.15.7).
function clockOutputChanged() {
  const { gpout0Ctrl: control, gpout0Div: divider } = rp2040.clocks;
  const runs = (control & (1 << 11)) && !(control & (1 << 10)) && gpio[CLOCK_OUTPUT].functionSelect === FUNCTION_CLOCK;
  if (runs && ((control >> 5) & 15) !== 0) throw new Error("the clock output runs from something else than the system PLL");
  if (runs && (divider & 255)) throw new Error("a fractional divider: single periods are shorter than asked for");
  const hertz = runs ? Math.floor(rp2040.pllSys.frequency / (divider >>> 8)) : 0;
  if (hertz !== clockOutput) {
    clockOutput = hertz;
    say("c", clock.nanos, u32(hertz));
  }
}

function connectPins() {
  gpio[RESET].addListener(resetChanged);
  gpio[RESET].setInputValue(true);
  gpio[MISO].setInputValue(true);
  connectSpi();
  const write = rp2040.clocks.writeUint32.bind(rp2040.clocks);
  rp2040.clocks.writeUint32 = (offset, value) => {
    write(offset, value);
    if (offset < 8) clockOutputChanged();
  };
  const pin = gpio[CLOCK_OUTPUT];
  const check = pin.checkForUpdates.bind(pin);
  pin.checkForUpdates = () => {
    check();
    clockOutputChanged();
  };
}

// ---- Running

let received = [];

function run(until) {
  while (clock.nanos < until && received.length === 0 && !host.broken) {
    const cycles = core.executeInstruction();
    clock.tick((cycles * 1e9) / rp2040.clkSys);
    if (core.PC < 0x10000000) throw new Error(`the firmware has run off to 0x${core.PC.toString(16)}`);
  }
  if (host.broken) throw host.broken;
}

// Until the moment that the test names next, or until the bridge has said something. Where nobody waits for the bridge, it gets a
// turn only every five milliseconds: what it does then is look at its clocks.
async function goOn(sleeping) {
  const until = Number(read(8).readBigUInt64LE());
  do {
    if (sleeping && host.ready) clock.tick(Math.max(0, Math.min(5e6, until - clock.nanos - 50_000)));
    // The host's own steps are promises: let them happen between short runs.
    run(host.ready && !sleeping ? until : Math.min(until, clock.nanos + 50_000));
    if (!host.ready) await new Promise(setImmediate);
  } while (clock.nanos < until && received.length === 0);
  say("e", clock.nanos, Buffer.concat([u32(received.length), Buffer.from(received)]));
  received = [];
}

rp2040.peripherals[0x40058].onWatchdogTrigger = () => {
  throw new Error("the watchdog was not fed for a second");
};
addRandomBit();
addFlashId([0xd6, 0x50, 0x0f, 0x8c, 0x1e, 0x2a, 0x4b, 0x97]);
boot(fs.readFileSync(imagePath));
connectPins();
const host = new UsbHost(rp2040, pipe === "vendor" ? 0xff : 0x0a, (bytes) => received.push(...bytes));

const commands = {
  h: async () => host.send(read(read(4).readUInt32LE()), false),
  o: async () => host.send(read(read(4).readUInt32LE()), true),
  b: async () => host.resetBus(),
  m: async () => (rp2040.adc.channelValues[0] = Math.round((read(4).readUInt32LE() * 4096) / 3300)),
  i: async () => tell(host.descriptors),
  p: async () => tell(pinSettings()),
  g: () => goOn(false),
  k: () => goOn(true),
};

for (;;) await commands[read(1).toString("latin1")]();
