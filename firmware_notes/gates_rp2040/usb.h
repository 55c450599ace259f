// A serial port over USB (communication device class), as every system knows it.

#ifndef USB_H
#define USB_H

#include <stdbool.h>
#include <stdint.h>

// One byte less than the endpoint holds: the host takes a shorter packet for the end of a
// delivery and hands it on at once.
#define PACKET_BYTES 63

void start_usb(void);

// Does what the host asks for. To be called often.
void serve_usb(void);

// Whether a program has the port open.
bool is_port_open(void);

// Hands a packet over, at most PACKET_BYTES; false: the last one is not yet taken.
bool send_packet(const uint8_t *bytes, uint32_t count);

// The next byte that the host sent; false: there is none.
bool receive_byte(uint8_t *byte);

#endif
