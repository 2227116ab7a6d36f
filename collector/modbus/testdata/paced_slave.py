#!/usr/bin/python3
"""A Modbus RTU device on a pseudo-terminal that takes the time a real line would.

Usage: paced_slave.py BAUD UNIT. It prints the path of its port. A question of 8 characters
(10 bits each) takes its time, then come 3.5 characters of silence (11 bits), then the
answer, character by character. Register A holds 1000 + A. It has registers 0 to 199.
"""
import os
import pty
import sys
import time
import tty


def crc(data):
    c = 0xFFFF
    for b in data:
        c ^= b
        for _ in range(8):
            c = (c >> 1) ^ 0xA001 if c & 1 else c >> 1
    return bytes((c & 0xFF, c >> 8))


def main():
    baud, unit = int(sys.argv[1]), int(sys.argv[2])
    char = 10 / baud
    silence = 38.5 / baud if baud <= 19200 else 0.00175
    fd, other = pty.openpty()
    tty.setraw(other)
    print("ready", os.ttyname(other), flush=True)
    got = b""
    while True:
        got += os.read(fd, 256)
        if len(got) < 8:
            continue
        due = time.monotonic() + 8 * char + silence
        q, got = got[:8], b""
        if q[0] != unit or crc(q[:6]) != q[6:]:
            continue
        addr, n = q[2] << 8 | q[3], q[4] << 8 | q[5]
        if addr + n > 200:
            out = bytes((unit, q[1] | 0x80, 2))
        else:
            out = bytes((unit, q[1], 2 * n)) + b"".join((1000 + a).to_bytes(2, "big") for a in range(addr, addr + n))
        for b in out + crc(out):
            due += char
            left = due - time.monotonic()
            if left > 0:
                time.sleep(left)
            os.write(fd, bytes((b,)))


main()
