#!/usr/bin/python3
"""A Modbus/TCP device written from the protocol's text, for every way in which a map can name a
number. It shares nothing with the program that it tests.

Usage: language_slave.py TABLES [EXACT]
TABLES is JSON: {"holding": {"16": 1284}, "input": {}, "coil": {"3": 1}, "discrete": {}}.
With EXACT, a JSON list of [first, count], it says nothing to any other question.
Prints "ready PORT".
"""
import json
import socket
import struct
import sys

tables = {name: {int(a): v for a, v in held.items()} for name, held in json.loads(sys.argv[1]).items()}
exact = json.loads(sys.argv[2]) if len(sys.argv) > 2 else None
NAMES = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}


def reply(pdu):
    function, first, count = struct.unpack(">BHH", pdu)
    held = tables.get(NAMES.get(function, ""), {})
    if exact is not None and [first, count] not in exact:
        return None
    if any(a not in held for a in range(first, first + count)):
        return bytes((function | 0x80, 2))
    values = [held[a] for a in range(first, first + count)]
    if function > 2:
        data = b"".join(struct.pack(">H", v & 0xFFFF) for v in values)
    else:
        data = bytearray((count + 7) // 8)
        for i, v in enumerate(values):
            data[i // 8] |= v << i % 8
    return bytes((function, len(data))) + bytes(data)


server = socket.create_server(("127.0.0.1", 0))
print("ready", server.getsockname()[1], flush=True)
while True:
    conn, _ = server.accept()
    with conn:
        while True:
            head = conn.recv(7, socket.MSG_WAITALL)
            if len(head) < 7:
                break
            transaction, _, length, unit = struct.unpack(">HHHB", head)
            answer = reply(conn.recv(length - 1, socket.MSG_WAITALL))
            if answer is not None:
                conn.sendall(struct.pack(">HHHB", transaction, 0, len(answer) + 1, unit) + answer)
