// The RP2040's registers that the bridge uses, named as in its datasheet: section 2.2 'Address Map' for the bases, and the
// section 'List of Registers' of each unit for the rest. From memory, except where the emulator of the tests agrees.

#ifndef REGISTERS_H
#define REGISTERS_H

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))
// Writing a mask there sets or clears its bits and leaves the others (2.1.2 'Atomic Register Access').
#define SET(register_) REGISTER((uintptr_t)&(register_) + 0x2000u)
#define CLEAR(register_) REGISTER((uintptr_t)&(register_) + 0x3000u)

// 4.10.13 SSI, the flash chip's interface
#define SSI_CTRLR0 REGISTER(0x18000000u)
#define SSI_SSIENR REGISTER(0x18000008u)
#define SSI_SER REGISTER(0x18000010u)
#define SSI_BAUDR REGISTER(0x18000014u)
#define SSI_SR REGISTER(0x18000028u)
#define SSI_SR_RFNE (1u << 3)
#define SSI_DR0 REGISTER(0x18000060u)

// 2.15.7 Clocks
#define CLK_GPOUT0_CTRL REGISTER(0x40008000u)
#define CLK_GPOUT0_DIV REGISTER(0x40008004u)
#define CLK_REF_CTRL REGISTER(0x40008030u)
#define CLK_REF_SELECTED REGISTER(0x40008038u)
#define CLK_SYS_CTRL REGISTER(0x4000803Cu)
#define CLK_SYS_SELECTED REGISTER(0x40008044u)
#define CLK_PERI_CTRL REGISTER(0x40008048u)
#define CLK_USB_CTRL REGISTER(0x40008054u)
#define CLK_ADC_CTRL REGISTER(0x40008060u)
#define CLK_KILL (1u << 10)
#define CLK_ENABLE (1u << 11)
#define CLK_DC50 (1u << 12)

// 2.14.3 Resets
#define RESETS_RESET REGISTER(0x4000C000u)
#define RESETS_DONE REGISTER(0x4000C008u)
#define RESET_ADC (1u << 0)
#define RESET_IO_BANK0 (1u << 5)
#define RESET_PADS_BANK0 (1u << 8)
#define RESET_PLL_SYS (1u << 12)
#define RESET_PLL_USB (1u << 13)
#define RESET_SPI0 (1u << 16)
#define RESET_TIMER (1u << 21)
#define RESET_USBCTRL (1u << 24)

// 2.13.5 Power-on state machine
#define PSM_WDSEL REGISTER(0x40010008u)
#define PSM_ALL 0x1FFFFu
#define PSM_ROSC (1u << 0)
#define PSM_XOSC (1u << 1)

// 2.19.6 GPIO
#define IO_CTRL(pin) REGISTER(0x40014004u + 8u * (pin))
#define FUNCTION_SPI 1u
#define FUNCTION_SIO 5u
#define FUNCTION_CLOCK 8u
#define OUTPUT_ALWAYS (3u << 12) // OEOVER: driven whatever the unit itself wants
#define PAD(pin) REGISTER(0x4001C004u + 4u * (pin))
#define PAD_INPUT (1u << 6)
#define PAD_4MA (1u << 4)
#define PAD_PULL_UP (1u << 3)
#define PAD_SCHMITT (1u << 1)
#define PAD_OUTPUT_DISABLE (1u << 7)

// 2.16.7 Crystal oscillator
#define XOSC_CTRL REGISTER(0x40024000u)
#define XOSC_STATUS REGISTER(0x40024004u)
#define XOSC_STARTUP REGISTER(0x4002400Cu)
#define XOSC_1_TO_15_MHZ 0xAA0u
#define XOSC_ENABLE (0xFABu << 12)
#define XOSC_STABLE (1u << 31)

// 2.18.4 PLL
#define PLL_SYS 0x40028000u
#define PLL_USB 0x4002C000u
#define PLL_CS(pll) REGISTER((pll) + 0x0u)
#define PLL_PWR(pll) REGISTER((pll) + 0x4u)
#define PLL_FBDIV(pll) REGISTER((pll) + 0x8u)
#define PLL_PRIM(pll) REGISTER((pll) + 0xCu)
#define PLL_LOCKED (1u << 31)
#define PLL_PWR_PD (1u << 0)
#define PLL_PWR_POSTDIVPD (1u << 3)
#define PLL_PWR_VCOPD (1u << 5)

// 4.4.4 SPI
#define SPI0_CR0 REGISTER(0x4003C000u)
#define SPI0_CR1 REGISTER(0x4003C004u)
#define SPI0_DR REGISTER(0x4003C008u)
#define SPI0_SR REGISTER(0x4003C00Cu)
#define SPI0_CPSR REGISTER(0x4003C010u)
#define SPI_8_BITS 7u
#define SPI_ENABLE (1u << 1)
#define SPI_RECEIVED (1u << 2)

// 4.9.6 ADC
#define ADC_CS REGISTER(0x4004C000u)
#define ADC_RESULT REGISTER(0x4004C004u)
#define ADC_ENABLE (1u << 0)
#define ADC_START_ONE (1u << 2)
#define ADC_READY (1u << 8)
#define ADC_ERROR (1u << 9)

// 4.6.5 Timer
#define TIMERAWL REGISTER(0x40054028u)

// 4.7.6 Watchdog
#define WATCHDOG_CTRL REGISTER(0x40058000u)
#define WATCHDOG_LOAD REGISTER(0x40058004u)
#define WATCHDOG_TICK REGISTER(0x4005802Cu)
#define WATCHDOG_ENABLE (1u << 30)
#define WATCHDOG_TICK_ENABLE (1u << 9)

// 4.1.3 and 4.1.4 USB: memory of 4096 bytes, and registers
#define USB_MEMORY 0x50100000u
#define USB_ADDRESS REGISTER(0x50110000u)
#define USB_MAIN_CTRL REGISTER(0x50110040u)
#define USB_SIE_CTRL REGISTER(0x5011004Cu)
#define USB_SIE_STATUS REGISTER(0x50110050u)
#define USB_BUFF_STATUS REGISTER(0x50110058u)
#define USB_EP_STALL_ARM REGISTER(0x50110068u)
#define USB_MUXING REGISTER(0x50110074u)
#define USB_PWR REGISTER(0x50110078u)
#define USB_CONTROLLER_ENABLE (1u << 0)
#define USB_EP0_INT_1BUF (1u << 29)
#define USB_PULL_UP (1u << 16)
#define USB_SETUP_RECEIVED (1u << 17)
#define USB_BUS_RESET (1u << 19)
#define USB_TO_PHY (1u << 0)
#define USB_SOFTCON (1u << 3)
#define USB_VBUS_DETECT (1u << 2)
#define USB_VBUS_DETECT_OVERRIDE (1u << 3)
// Endpoint n: its control word (not for 0) and its buffer control word, IN and OUT.
#define USB_ENDPOINT_CONTROL(n, out) REGISTER(USB_MEMORY + 8u * (n) + 4u * (out))
#define USB_BUFFER_CONTROL(n, out) REGISTER(USB_MEMORY + 0x80u + 8u * (n) + 4u * (out))
#define USB_EP0_BUFFER 0x100u
#define USB_FREE_BUFFERS 0x180u
#define ENDPOINT_ENABLE (1u << 31)
#define ENDPOINT_EVERY_BUFFER (1u << 29)
#define ENDPOINT_TYPE_SHIFT 26
#define BUFFER_FULL (1u << 15)
#define BUFFER_DATA1 (1u << 13)
#define BUFFER_STALL (1u << 11)
#define BUFFER_AVAILABLE (1u << 10)
#define BUFFER_LENGTH 0x3FFu

// 2.17.8 Ring oscillator
#define ROSC_RANDOMBIT REGISTER(0x4006001Cu)

// 2.3.1.7 SIO, the processor's own pins
#define SIO_IN REGISTER(0xD0000004u)
#define SIO_OUT_SET REGISTER(0xD0000014u)
#define SIO_OUT_CLEAR REGISTER(0xD0000018u)
#define SIO_DRIVE_SET REGISTER(0xD0000024u)
#define SIO_DRIVE_CLEAR REGISTER(0xD0000028u)

#endif
