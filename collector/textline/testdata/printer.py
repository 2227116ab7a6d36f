#!/usr/bin/python3
"""A device that prints on a pseudo-terminal, once every 50 ms, in one of several invented ways. It
shares nothing with the program that it tests; the sums are its own.

Usage: printer.py WAY. Prints "ready PORT".
"""
import json
import os
import pty
import sys
import time
import tty


def sum16(n):
    body = b"BV=13284;BI=-1620"
    return body + b"!%04X\r\n" % (sum(body) % 65536)


def ones8(n):
    body = b"BV=13284;BI=-1620"
    return body + b"!%02X\r\n" % (255 - sum(body) % 256)


def as_json(n):
    nested = {"node": "slipway", "battery": {"volts": 13.284, "amps": -1.62, "probe": None}, "panels": [{"watts": 38}, {"watts": 12}]}
    return (b"booted\r\n" if n % 3 == 0 else b"") + json.dumps(nested).encode() + b"\r\n"


def as_hex(n):
    return b"BV=33E4;BI=F9AC;PW=0x26\r\n"


def exponent(n):
    return b"BV=1.3284E+01 V;BI=-1.62e0\n"


def widths(n):
    return "{:>7.3f}{:>7.2f}{:<5}\r\n".format(13.284, -1.62, "FLT").encode()


def enclosed(n):
    return b"\x02BV=13284;BI=-1620\x03" + (b"noise" if n % 2 else b"")


def empty(n):
    return b"BV 13284\r\nBI -1620\r\n\r\n"


WAYS = {"sum16": sum16, "ones8": ones8, "json": as_json, "hex": as_hex, "exponent": exponent, "widths": widths,
        "enclosed": enclosed, "empty": empty}

ours, theirs = pty.openpty()
tty.setraw(theirs)
print("ready", os.ttyname(theirs), flush=True)
for turn in range(100000):
    os.write(ours, WAYS[sys.argv[1]](turn))
    time.sleep(0.05)
