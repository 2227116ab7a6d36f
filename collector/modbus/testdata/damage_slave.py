#!/usr/bin/python3
"""A Modbus RTU device on a pseudo-terminal that damages answers on command.

It shares nothing with the program that it tests: the frames, the check sum and the damage
are its own. It prints the path of its port, then takes one command a line on its standard
input, "SKIP KIND SEED WAIT_MS": after SKIP more questions damage one answer in this way.
Each command is answered with "ok"; the command "idle" once nothing is left to be said. Register A of unit 1 holds A * 256 + the number of
questions so far modulo 256, so that an answer to another or an earlier question shows.
At the end of its input it prints what it did as JSON.
"""
import heapq
import json
import os
import pty
import random
import select
import sys
import time
import tty

UNIT = 1


def crc(data):
    c = 0xFFFF
    for b in data:
        c ^= b
        for _ in range(8):
            c = (c >> 1) ^ 0xA001 if c & 1 else c >> 1
    return bytes((c & 0xFF, c >> 8))


def seal(data):
    return bytes(data) + crc(data)


class Slave:
    def __init__(self):
        self.fd, other = pty.openpty()
        tty.setraw(other)
        print(os.ttyname(other), flush=True)
        self.seq = 0
        self.skip, self.kind, self.rng, self.wait = -1, "", random.Random(0), 0.05
        self.last = b""
        self.out = []  # (when, order, bytes)
        self.order = 0
        self.busy = 0.0
        self.done = {}
        self.chance = 0

    def right(self, q):
        table, addr, n = q[1], q[2] << 8 | q[3], q[4] << 8 | q[5]
        body = bytearray((UNIT, table, 2 * n))
        for a in range(addr, addr + n):
            body += bytes((a & 0xFF, self.seq & 0xFF))
        return seal(body)

    def passes(self, q, said, right):
        """Tells whether a wrong answer has all that an RTU master can check, by chance."""
        size = len(right)
        for at in range(0, 4):
            f = said[at:at + size]
            if len(f) == size and f[:3] == right[:3] and f != right and crc(f[:-2]) == f[-2:]:
                return True
        return False

    def damage(self, q, right):
        """A list of (delay, bytes) in place of the right answer."""
        r, w = self.rng, self.wait
        noise = lambda n: bytes(r.randrange(256) for _ in range(n))
        kind = self.kind
        if kind == "silence":
            return []
        if kind == "late":
            return [(w * r.uniform(0.9, 4), right)]
        if kind == "truncated":
            return [(0, right[:r.randrange(1, len(right))])]
        if kind == "paused":  # the rest comes after a pause
            at = r.randrange(1, len(right))
            return [(0, right[:at]), (w * r.uniform(0, 2), right[at:])]
        if kind == "duplicated":
            return [(0, right), (0 if r.random() < 0.4 else w * r.uniform(0, 2), right)]
        if kind == "wrong id":
            body = bytearray(right[:-2])
            if r.random() < 0.5:
                body[0] = r.choice([0, 2, 3, 17, 247])
            else:
                body[1] = r.choice([1, 2, 3, 4, 5, 6, 16, 43])
                if body[1] == q[1]:
                    body[1] ^= 7
            return [(0, seal(body))]
        if kind == "wrong length":
            n = r.choice([x for x in range(1, 12) if x != right[2] // 2])
            body = bytes((UNIT, q[1], 2 * n)) + noise(2 * n)
            return [(0, seal(body))]
        if kind == "bits":  # one to three bits wrong
            b = bytearray(right)
            for _ in range(r.randrange(1, 4)):
                b[r.randrange(len(b))] ^= 1 << r.randrange(8)
            return [(0, bytes(b))]
        if kind == "bytes":  # a run of bytes garbled
            b = bytearray(right)
            at = r.randrange(len(b))
            n = r.randrange(1, len(b) - at + 1)
            b[at:at + n] = noise(n)
            return [(0, bytes(b))]
        if kind == "noise":
            where = r.randrange(3)
            if where == 0:
                return [(0, noise(r.randrange(1, 20)) + right)]
            if where == 1:
                return [(0, right + noise(r.randrange(1, 20)))]
            return [(0, noise(r.randrange(1, 60)))]
        if kind == "merged":
            old = self.last or seal((UNIT, q[1], 2, 1, 2))
            cut = r.randrange(1, len(old) + 1)
            pieces = [old + right, right + old, old[-cut:] + right, right + old[:cut], old[:cut] + right]
            return [(0, r.choice(pieces))]
        if kind == "lost bytes":  # an overrun: bytes missing in the middle
            at = r.randrange(len(right) - 1)
            n = r.randrange(1, len(right) - at)
            return [(0, right[:at] + right[at + n:])]
        raise SystemExit("unknown damage " + kind)

    def answer(self, q):
        if q[0] != UNIT or crc(q[:-2]) != q[-2:]:
            return
        self.seq += 1
        right = self.right(q)
        said = [(0, right)]
        if self.skip == 0:
            while True:
                said = self.damage(q, right)
                if not self.passes(q, b"".join(b for _, b in said), right):
                    break
                self.chance += 1
            self.done[self.kind] = self.done.get(self.kind, 0) + 1
        if self.skip >= 0:
            self.skip -= 1
        self.last = right
        now = max(time.monotonic(), self.busy)
        for delay, data in said:
            now += delay
            heapq.heappush(self.out, (now, self.order, data))
            self.order += 1
        if self.kind == "late" and self.skip == -1 and said:
            self.busy = now  # it does one thing after the other
        else:
            self.busy = 0

    def run(self):
        got = b""
        heard = 0.0
        while True:
            while self.out and self.out[0][0] <= time.monotonic():
                os.write(self.fd, heapq.heappop(self.out)[2])
            wait = max(0, self.out[0][0] - time.monotonic()) if self.out else None
            ready, _, _ = select.select([self.fd, sys.stdin], [], [], wait)
            if sys.stdin in ready:
                line = sys.stdin.readline()
                if not line:
                    break
                if line == "idle\n":
                    while self.out:
                        when, _, data = heapq.heappop(self.out)
                        time.sleep(max(0, when - time.monotonic()))
                        os.write(self.fd, data)
                    print("ok", flush=True)
                    continue
                skip, kind, seed, ms = line.rstrip("\n").split(",")
                self.skip, self.kind, self.rng, self.wait = int(skip), kind, random.Random(int(seed)), float(ms) / 1000
                print("ok", flush=True)
            if self.fd in ready:
                if time.monotonic() - heard > 0.02:
                    got = b""  # a pause ends a question
                heard = time.monotonic()
                got += os.read(self.fd, 256)
                while len(got) >= 8:
                    self.answer(got[:8])
                    got = got[8:]
        print(json.dumps({"asked": self.seq, "damaged": self.done, "chance": self.chance}), flush=True)


Slave().run()
