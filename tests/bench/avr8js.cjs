// Runs an image of the bridge for the ATmega328P at 16 MHz in avr8js, and lets a benchmark be its host and its board by the records of
// ../firmware/harness/events.h, as ../firmware/harness/avr.c does with another emulator. Nothing of that file is used here.
//
//     cargo bench --bench bridge_cycles -- avr8js
//
// starts it as `node tests/bench/avr8js.cjs IMAGE.hex BAUD MILLIVOLTS`. Its package is in target/node; tests/run installs it. Only what that
// benchmark needs: no clock output, no SCK edge by edge. What the package does otherwise than the chip is done here instead:
// - the receiver holds one byte and never tells of a lost one: here two and the shift register's, and what is lost is counted;
// - the transmitter has no buffer beside its shift register: here one byte;
// - entering an interrupt takes 2 cycles: here 4;
// - of what is due it does one thing an instruction, and a timer that counts CPU clocks is always due: here all of it.

const fs = require('fs');
const path = require('path');
const avr = require(path.join(__dirname, '../../target/node/node_modules/avr8js'));

const [image, baud, millivolts] = process.argv.slice(2);
const SECOND = 16000000;
const UCSR0A = 0xc0, UCSR0B = 0xc1, UBRR0L = 0xc4, UBRR0H = 0xc5, UDR0 = 0xc6, SPCR = 0x4c;
const DDRB = 0x24, PORTB = 0x25;
const RXC = 0x80, UDRE = 0x20, RXCIE = 0x80, UDRIE = 0x20, RXEN = 0x10, U2X = 0x02;
const lineTicks = Math.round((10 * SECOND) / Number(baud));

function fault(what) {
    process.stderr.write(`${what} (pc ${(cpu.pc * 2).toString(16)}, cycle ${cpu.cycles})\n`);
    process.exit(1);
}

// ---- Records ----

function readAll(count) {
    const bytes = Buffer.alloc(count);
    for (let done = 0; done < count; ) {
        const now = fs.readSync(0, bytes, done, count - done);
        if (now === 0) process.exit(0); // the benchmark is over
        done += now;
    }
    return bytes;
}

function tell(kind, value, number, at) {
    const record = Buffer.alloc(16);
    record.write(kind);
    record[1] = value;
    record.writeUInt32LE(number, 4);
    record.writeBigUInt64LE(BigInt(at), 8);
    for (let done = 0; done < 16; ) done += fs.writeSync(1, record, done);
}

// Bytes on the line to the bridge, and when the next has arrived.
const line = [];
let lineDue = 0, until = 0, lost = 0;

// Obeys until it is said how far to run.
function obey() {
    for (;;) {
        const record = readAll(16);
        const kind = String.fromCharCode(record[0]);
        if (kind === 'R') {
            until = Number(record.readBigUInt64LE(8));
            return;
        }
        if (line.length === 0) {
            lineDue = Math.max(lineDue, cpu.cycles + lineTicks);
            cpu.addClockEvent(feedLine, lineDue - cpu.cycles);
        }
        line.push(...readAll(record.readUInt32LE(4)));
    }
}

// ---- The chip ----

function load(file) {
    const flash = new Uint8Array(32768).fill(0xff);
    for (const text of fs.readFileSync(file, 'ascii').split(/\r?\n/)) {
        const record = Buffer.from(text.slice(1), 'hex');
        if (record.length > 0 && record[3] === 0) flash.set(record.subarray(4, 4 + record[0]), record.readUInt16BE(1));
    }
    return new Uint16Array(flash.buffer);
}

const cpu = new avr.CPU(load(image), 2048);
new avr.AVRTimer(cpu, avr.timer0Config);
new avr.AVRTimer(cpu, avr.timer2Config);
new avr.AVREEPROM(cpu, new avr.EEPROMMemoryBackend(1024));
new avr.AVRADC(cpu, avr.adcConfig).channelValues[0] = Number(millivolts) / 1000; // the board's supply

// ---- UART ----

const received = [];
const receiving = { address: 0x24, flagRegister: UCSR0A, flagMask: RXC, enableRegister: UCSR0B, enableMask: RXCIE, constant: true };
const roomToSend = { address: 0x26, flagRegister: UCSR0A, flagMask: UDRE, enableRegister: UCSR0B, enableMask: UDRIE, constant: true };
let shifting = false, waiting = null;

function byteTicks() {
    const divisor = ((cpu.data[UBRR0H] << 8) | cpu.data[UBRR0L]) + 1;
    return 10 * divisor * (cpu.data[UCSR0A] & U2X ? 8 : 16);
}

function feedLine() {
    const byte = line.shift();
    if (cpu.data[UCSR0B] & RXEN) {
        if (Math.abs(byteTicks() - lineTicks) * 40 > lineTicks) fault("the chip's baud rate is not the line's");
        if (received.length === 3) lost++;
        else received.push(byte);
        cpu.setInterruptFlag(receiving);
    }
    lineDue += lineTicks;
    if (line.length > 0) cpu.addClockEvent(feedLine, lineDue - cpu.cycles);
}

function shift(byte) {
    shifting = true;
    const arrives = cpu.cycles + byteTicks();
    tell('B', byte, 0, arrives);
    cpu.addClockEvent(() => {
        shifting = false;
        if (waiting !== null) {
            const next = waiting;
            waiting = null;
            shift(next);
            cpu.setInterruptFlag(roomToSend);
        }
    }, arrives - cpu.cycles);
    if (byte === 0) until = cpu.cycles;
}

cpu.data[UCSR0A] = UDRE;
cpu.writeHooks[UCSR0A] = (value) => {
    cpu.data[UCSR0A] = (cpu.data[UCSR0A] & ~U2X) | (value & U2X);
    return true;
};
cpu.writeHooks[UCSR0B] = (value) => {
    cpu.data[UCSR0B] = value;
    cpu.updateInterruptEnable(receiving, value);
    cpu.updateInterruptEnable(roomToSend, value);
    return true;
};
cpu.readHooks[UDR0] = () => {
    if (received.length === 0) fault('UDR0 is read while nothing is there');
    const byte = received.shift();
    if (received.length === 0) cpu.clearInterrupt(receiving);
    return byte;
};
cpu.writeHooks[UDR0] = (value) => {
    if (!shifting) {
        shift(value);
    } else if (waiting === null) {
        waiting = value;
        cpu.clearInterrupt(roomToSend);
    } else {
        fault('UDR0 is written while it is full');
    }
    return true;
};

// ---- SPI and lines ----

const spi = new avr.AVRSPI(cpu, avr.spiConfig, SECOND);
spi.onByte = (value) => {
    if (!spi.isMaster) fault('SPDR is written while the SPI unit is no master');
    tell('S', value, spi.clockDivider, cpu.cycles);
    const back = readAll(1)[0];
    cpu.addClockEvent(() => spi.completeTransfer(back), spi.transferCycles);
};

// PB0 is the board's reset; PB5 is SCK.
let reset = 2;

function watchLines() {
    const now = !(cpu.data[DDRB] & 1) ? 2 : cpu.data[PORTB] & 1;
    if (now !== reset) {
        reset = now;
        tell('L', now, 0, cpu.cycles);
    }
    if (cpu.data[PORTB] & cpu.data[DDRB] & 0x20) fault('SCK is made by hand, which this file does not do');
}

// ---- Running ----

function doWhatIsDue() {
    for (let event = cpu.nextClockEvent; event && event.cycles <= cpu.cycles; event = cpu.nextClockEvent) {
        cpu.nextClockEvent = event.next;
        event.callback();
    }
}

obey();
for (;;) {
    while (cpu.cycles < until) {
        avr.avrInstruction(cpu);
        doWhatIsDue();
        const before = cpu.cycles;
        cpu.tick();
        if (cpu.cycles - before === 2) cpu.cycles += 2;
        watchLines();
    }
    tell('T', 0, lost, cpu.cycles);
    obey();
}
