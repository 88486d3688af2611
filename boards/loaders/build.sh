#!/usr/bin/env bash
# Builds the loaders and the demo applications. Needs Debian's gcc-avr, avr-libc and binutils-avr.
#
#   build.sh          replaces the HEX files in boards/
#   build.sh FOLDER   leaves those alone: HEX files go to FOLDER, laid out as boards/ is, and ELF files to FOLDER/elf
#   build.sh --one PART START ELF   links the loader of one part at START
#
# The committed files were built by avr-gcc 5.4.0 with binutils 2.26 and avr-libc 2.0.0. The same tools make the same bytes;
# others need not.
set -euo pipefail
export LC_ALL=C
boards=$(cd "$(dirname "$0")/.." && pwd)
compile=(avr-gcc -std=gnu11 -Os -Wall -Wextra -Werror -ffunction-sections -mrelax -Wl,--gc-sections)

# Those that make the loader smallest. No jump tables: above 128 KiB they would need EIND, and they would not move with the code.
small=(-fno-jump-tables -fno-inline-small-functions -fno-move-loop-invariants -fno-tree-scev-cprop -fno-ipa-sra -fno-tree-copyrename)

# PART START ELF
link() {
    "${compile[@]}" "${small[@]}" -mmcu="$1" -nostartfiles "-Wl,--section-start=.text=$2" "$boards/loaders/serial.c" -o "$3"
}

if [ "${1:-}" = --one ]; then
    link "$2" "$3" "$4"
    exit
fi
if [ $# -gt 0 ]; then
    to=$1 elf=$1/elf
    mkdir -p "$elf"
else
    to=$boards elf=$(mktemp -d)
    trap 'rm -r "$elf"' EXIT
fi

# Lines end in LF alone, so that every system keeps the same bytes.
to_hex() {
    mkdir -p "$(dirname "$2")"
    avr-objcopy -O ihex -R .eeprom "$1" "$elf/crlf.hex"
    tr -d '\r' <"$elf/crlf.hex" >"$2"
    rm "$elf/crlf.hex"
}

# NAME CHIP HERTZ [option]
application() {
    "${compile[@]}" -mmcu="$2" -DF_CPU="${3}UL" -DBAUD=38400UL -DBOARD="\"$1\"" "${@:4}" \
        "$boards/demo-applications/controller.c" -o "$elf/$1.elf"
    to_hex "$elf/$1.elf" "$to/demo-applications/$1.hex"
}

application vent atmega1284p 16000000 -DWITH_SETTINGS
application pump atmega2560 16000000
application frost atmega328p 8000000

# Every part with a boot section and a USART, or a LIN controller that works as one, whose registers avr-libc names. PART=LIKE: these
# tools do not know the part, and it is built as one that its datasheet calls its like (from memory: boot section, memories, USART0 and
# the ports B, C and D are the same). README.md names the others of the catalog, with the reason.
parts=(
at90can128 at90can32 at90can64 at90pwm216 at90pwm2b at90pwm316 at90pwm3b at90scr100 at90usb1286 at90usb1287
at90usb162 at90usb646 at90usb647 at90usb82 ata6612c=atmega88 ata6613c=atmega168 ata6614q=atmega328p atmega128
atmega1280 atmega1281 atmega1284 atmega1284p atmega1284rfr2 atmega128a atmega128rfa1 atmega128rfr2 atmega16 atmega161
atmega162 atmega163 atmega164a atmega164p atmega164pa atmega165 atmega165a atmega165p atmega165pa atmega168 atmega168a
atmega168p atmega168pa atmega168pb=atmega168pa atmega169 atmega169a atmega169p atmega169pa atmega16a atmega16m1 atmega16u2
atmega16u4 atmega2560 atmega2561 atmega2564rfr2 atmega256rfr2 atmega32 atmega323 atmega324a atmega324p atmega324pa
atmega324pb=atmega324pa atmega325 atmega3250 atmega3250a atmega3250p atmega3250pa atmega325a atmega325p atmega325pa
atmega328 atmega328p atmega328pb=atmega328p atmega329 atmega3290 atmega3290a atmega3290p atmega3290pa atmega329a
atmega329p atmega329pa atmega32a atmega32c1 atmega32m1 atmega32u2 atmega32u4 atmega32u6 atmega64 atmega640 atmega644 atmega644a atmega644p
atmega644pa atmega644rfr2 atmega645 atmega6450 atmega6450a atmega6450p atmega645a atmega645p atmega649 atmega6490
atmega6490a atmega6490p atmega649a atmega649p atmega64a atmega64c1 atmega64hve atmega64hve2 atmega64m1 atmega64rfr2
atmega8 atmega8515 atmega8535 atmega88
atmega88a atmega88p atmega88pa atmega88pb=atmega88pa atmega8a atmega8u2 attiny828
)

# The loader of one part, linked at 0, and its line for parts.csv without the image's name.
loader() {
    local part=${1%=*} like=${1#*=}
    link "$like" 0 "$elf/serial-$part.elf"
    avr-objcopy -O binary "$elf/serial-$part.elf" "$elf/serial-$part.bin"
    # Code that has a place of its own could not be moved to another.
    if avr-objdump -d "$elf/serial-$part.elf" | grep -E '\s(call|jmp|icall|eicall|eijmp)\s'; then
        echo "serial.c for $part does not run from everywhere" >&2
        return 1
    fi
    avr-gcc -E -P -x assembler-with-cpp -mmcu="$like" "$boards/loaders/registers.S" | registers "$part" >"$elf/$part.line"
}

# `PART,IMAGE,USARTS,PINS`: NUMBER=FIRST:UBRRH for each USART, LETTER=PIN for each port whose PORT is two behind its PIN; addresses in hex.
registers() {
    local what register usarts='' pins='' order=''
    while IFS=' ;' read -r what register; do
        local number=${register%%;*} rest=${register#*;}
        IFS=';' read -r -a at <<<"$rest"
        at=("${at[@]//0X/0x}")
        for n in "${!at[@]}"; do at[n]=$((${at[n]})); done
        case $what in
        usart)
            local first=$((at[0] < at[2] ? at[0] : at[2]))
            local now="$((at[0] - first)) $((at[1] - first)) $((at[2] - first)) $((at[4] - first))"
            [ "${order:=$now}" = "$now" ] || continue # registers in another order than the first USART's
            usarts+=$(printf ' %d=%02X:%02X' "$number" "$first" "${at[3]}")
            ;;
        pin)
            [ $((at[1] - at[0])) = 2 ] || continue
            pins+=$(printf ' %s=%02X' "$number" "${at[0]}")
            ;;
        esac
    done
    echo "$1,IMAGE,${usarts# },${pins# }"
}

for part in "${parts[@]}"; do
    loader "$part" &
    [ "$(jobs -rp | wc -l)" -lt "$(nproc)" ] || wait -n
done
wait

# Parts whose images are the same share the file, which is called after the first of them.
rm -rf "$to/loaders/serial"
mkdir -p "$to/loaders/serial"
declare -A image
{
    echo "# Made by build.sh from avr-libc's headers. A part, its image, its USARTs (number=first register:UBRRH), its ports (letter=PIN)."
    for part in "${parts[@]%=*}"; do
        sum=$(sha256sum <"$elf/serial-$part.bin")
        if [ -z "${image[$sum]:-}" ]; then
            image[$sum]=$part
            to_hex "$elf/serial-$part.elf" "$to/loaders/serial/$part.hex"
        fi
        sed "s/,IMAGE,/,${image[$sum]},/" "$elf/$part.line"
    done
} >"$to/loaders/serial/parts.csv"
