# Rules to build a sketch with an Arduino core, but without the Arduino program.
# Debian: apt-get install gcc-avr avr-libc make arduino-core-avr

# TOOLS=/path/to/bin/ uses another compiler. LTO="-flto -fuse-linker-plugin" builds in the same way
# as the Arduino program.

BUILD    ?= build
TOOLS    ?=
LTO      ?=
CXX       = $(TOOLS)avr-g++
CC        = $(TOOLS)avr-gcc
MCU       = -mmcu=atmega328p -DF_CPU=16000000UL
COMMON    = $(MCU) -Os $(LTO) -ffunction-sections -fdata-sections
COMMON_CXX = $(COMMON) -std=gnu++11 -fno-exceptions -fno-threadsafe-statics
WARN      = -Wall -Wextra
LINK      = $(MCU) -Os $(LTO) -Wl,--gc-sections

ARDUINO  ?= /usr/share/arduino/hardware/arduino/avr
CORE      = $(ARDUINO)/cores/arduino
ON_CORE   = -I $(CORE) -I $(ARDUINO)/variants/standard \
            -DARDUINO=10819 -DARDUINO_AVR_UNO -DARDUINO_ARCH_AVR

.DELETE_ON_ERROR:

# Warnings of the core are switched off. avr-gcc 5 does not have the macro DECIMAL_DIG in C++11.
$(BUILD)/core.a: | $(BUILD)
	cd $(BUILD) && $(CC) $(COMMON) $(ON_CORE) -std=gnu11 -w -c $(CORE)/*.c
	cd $(BUILD) && $(CXX) $(COMMON_CXX) $(ON_CORE) -w -DDECIMAL_DIG=__DECIMAL_DIG__ -c $(CORE)/*.cpp
	cd $(BUILD) && $(TOOLS)avr-gcc-ar rcs core.a *.o

$(BUILD):
	mkdir -p $@
