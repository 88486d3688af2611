# The RP2040 bridge. Included by ../Makefile; BUILD and IMAGES are its.

RP2040_CC = arm-none-eabi-gcc
RP2040_FLAGS = -std=c11 -mcpu=cortex-m0plus -mthumb -O2 -ffreestanding -fno-tree-loop-distribute-patterns \
	-ffunction-sections -fdata-sections -Wall -Wextra -Werror -Irp2040
RP2040_SOURCES = rp2040/boot.S $(wildcard core/*.c) $(wildcard rp2040/*.c)
RP2040_HEADERS = $(wildcard core/*.h) $(wildcard rp2040/*.h)

$(BUILD)/bridge-rp2040.elf: $(RP2040_SOURCES) $(RP2040_HEADERS) rp2040/link.ld rp2040/rules.mk
	@mkdir -p $(@D)
	$(RP2040_CC) $(RP2040_FLAGS) -nostdlib -Wl,--gc-sections,--fatal-warnings,--build-id=none,-Map=$(BUILD)/bridge-rp2040.map \
		-T rp2040/link.ld $(RP2040_SOURCES) -lgcc -o $@

$(BUILD)/bridge-rp2040.bin: $(BUILD)/bridge-rp2040.elf
	arm-none-eabi-objcopy -O binary $< $@

$(IMAGES)/bridge-rp2040.hex $(IMAGES)/bridge-rp2040.uf2 &: $(BUILD)/bridge-rp2040.bin rp2040/images.py
	@mkdir -p $(@D)
	python3 rp2040/images.py $< $(IMAGES)/bridge-rp2040.hex $(IMAGES)/bridge-rp2040.uf2
