# The ATmega328P bridge, for ../Makefile; OUT is where the images go.
# Needs Debian's gcc-avr, binutils-avr and avr-libc.

ATMEGA328P_FLAGS := -mmcu=atmega328p -DF_CPU=16000000UL -std=gnu11 -O2 -Wall -Wextra -Werror -flto -Icore -Iatmega328p
ATMEGA328P_SOURCES := $(sort $(wildcard core/*.c)) atmega328p/port.c atmega328p/crc.S
ATMEGA328P_HEADERS := $(wildcard core/*.h atmega328p/*.h)
ATMEGA328P_IMAGES := $(patsubst %,$(OUT)/bridge-atmega328p-%,115200 500000 1000000)

atmega328p: $(addsuffix .hex,$(ATMEGA328P_IMAGES))

$(OUT)/bridge-atmega328p-%.hex: $(OUT)/bridge-atmega328p-%.elf
	avr-objcopy -O ihex -R .eeprom $< $@

$(OUT)/bridge-atmega328p-%.elf: $(ATMEGA328P_SOURCES) $(ATMEGA328P_HEADERS) atmega328p/rules.mk
	@mkdir -p $(OUT)
	avr-gcc $(ATMEGA328P_FLAGS) -DBAUD=$* $(ATMEGA328P_SOURCES) -o $@

.PHONY: atmega328p
.INTERMEDIATE: $(addsuffix .elf,$(ATMEGA328P_IMAGES))
