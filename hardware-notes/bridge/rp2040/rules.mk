# The RP2040 bridge, for ../Makefile; OUT is where the images go.
# Needs Debian's gcc-arm-none-eabi and binutils-arm-none-eabi, and Python.

RP2040_FLAGS := -std=c11 -mcpu=cortex-m0plus -mthumb -O2 -ffreestanding -fno-tree-loop-distribute-patterns \
	-ffunction-sections -fdata-sections -Wall -Wextra -Werror -Irp2040 \
	-nostdlib -Wl,--gc-sections,--fatal-warnings,--build-id=none -T rp2040/link.ld
RP2040_SOURCES := rp2040/boot.S $(sort $(wildcard core/*.c rp2040/*.c))
RP2040_HEADERS := $(wildcard core/*.h rp2040/*.h)

rp2040: $(OUT)/bridge-rp2040.hex $(OUT)/bridge-rp2040.uf2

$(OUT)/bridge-rp2040.hex $(OUT)/bridge-rp2040.uf2 &: $(OUT)/bridge-rp2040.bin rp2040/images.py
	python3 rp2040/images.py $< $(OUT)/bridge-rp2040.hex $(OUT)/bridge-rp2040.uf2

$(OUT)/bridge-rp2040.bin: $(OUT)/bridge-rp2040.elf
	arm-none-eabi-objcopy -O binary $< $@

$(OUT)/bridge-rp2040.elf: $(RP2040_SOURCES) $(RP2040_HEADERS) rp2040/link.ld rp2040/rules.mk
	@mkdir -p $(OUT)
	arm-none-eabi-gcc $(RP2040_FLAGS) $(RP2040_SOURCES) -lgcc -o $@

.PHONY: rp2040
.INTERMEDIATE: $(OUT)/bridge-rp2040.elf $(OUT)/bridge-rp2040.bin
