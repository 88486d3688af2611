#!/usr/bin/env bash
# Builds the loaders and the demo applications. Needs Debian's gcc-avr, avr-libc and binutils-avr.
#
#   build.sh          replaces the HEX files in boards/
#   build.sh FOLDER   leaves those alone: HEX files go to FOLDER, laid out as boards/ is, and ELF files to FOLDER/elf
#
# The committed files were built by avr-gcc 5.4.0 with binutils 2.26 and avr-libc 2.0.0. The same tools make the same bytes;
# others need not.
set -euo pipefail
export LC_ALL=C
boards=$(cd "$(dirname "$0")/.." && pwd)
if [ $# -gt 0 ]; then
    to=$1 elf=$1/elf
    mkdir -p "$elf"
else
    to=$boards elf=$(mktemp -d)
    trap 'rm -r "$elf"' EXIT
fi

compile=(avr-gcc -std=gnu11 -Os -Wall -Wextra -Werror -ffunction-sections -mrelax -Wl,--gc-sections)

# Lines end in LF alone, so that every system keeps the same bytes.
to_hex() {
    mkdir -p "$(dirname "$2")"
    avr-objcopy -O ihex -R .eeprom "$1" "$elf/crlf.hex"
    tr -d '\r' <"$elf/crlf.hex" >"$2"
    rm "$elf/crlf.hex"
}

# NAME CHIP HERTZ RESERVATION [option for the application]
build() {
    local name=$1 chip=$2 hertz=$3 reservation=$4
    local for_board=(-mmcu="$chip" -DF_CPU="${hertz}UL" -DBAUD=38400UL -DBOARD="\"$name\"")

    # No jump tables: above 128 KiB they would need EIND.
    "${compile[@]}" "${for_board[@]}" -DRESERVATION="${reservation}UL" -fno-jump-tables \
        -nostartfiles "-Wl,--section-start=.text=$reservation" "$boards/loaders/serial.c" -o "$elf/serial-$name.elf"
    to_hex "$elf/serial-$name.elf" "$to/loaders/serial-$name/serial-$name.hex"

    "${compile[@]}" "${for_board[@]}" "${@:5}" "$boards/demo-applications/controller.c" -o "$elf/$name.elf"
    to_hex "$elf/$name.elf" "$to/demo-applications/$name.hex"
}

build vent atmega1284p 16000000 0x1F800 -DWITH_SETTINGS
build pump atmega2560 16000000 0x3F800
build frost atmega328p 8000000 0x7C00
