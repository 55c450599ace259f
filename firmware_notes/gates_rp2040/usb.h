// A serial port over USB (communication device class), which every operating system supports.

#ifndef USB_H
#define USB_H

#include <stdbool.h>
#include <stdint.h>

// One byte less than the endpoint can send. A shorter packet ends a delivery, so the computer
// passes the bytes on at once.
#define PACKET_BYTES 63

void start_usb(void);

// Answer the requests of the computer. Call this often.
void serve_usb(void);

// Return true if a program has opened the port.
bool is_port_open(void);

// Send a packet of at most PACKET_BYTES. Return false if the last packet still waits.
bool send_packet(const uint8_t *bytes, uint32_t count);

// Store the next byte from the computer. Return false if no byte has come.
bool receive_byte(uint8_t *byte);

#endif
