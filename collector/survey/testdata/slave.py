"""A Modbus device for tests, written for them alone: plain sockets, no library.

usage: slave.py DEVICE
It prints where it listens, then takes the name of a state from each line of its standard input
and answers "ok". Every state is a dict of registers by (function, address).
"""
import socket, struct, sys, threading

def s16(x):
    return x & 0xFFFF

def volts_amps(state, code):
    """pv volts, pv amps, charge amps, load amps in thousandths; battery volts in hundredths, battery amps signed in hundredths."""
    day = {"bright": (17931, 4792, 6121, 1420, 1345, 470), "dim": (16402, 811, 1033, 2263, 1312, -123)}
    if state != "night":
        return day.get(state, day["bright"])
    return (code, code, code, 2263, 1308, -226) if code is not None else (s16(-2), s16(-4), s16(-3), s16(-3), 1308, 2)

def registers(device, state):
    base = {"codes": 40, "signed": 700, "gap": 40, "mirror": 40}.get(device, 40)
    pv, pa, ca, la, bv, ba = volts_amps(state, None if device == "signed" else 0x7FFF)
    regs = [bv, s16(ba), pv, pa, ca, la, 1234, 0, 77, 3600]
    if device == "watts":  # the panel's power as well, in tenths; as a wrong map would read it, where the state says so
        regs[7] = round(pv * pa / 1e5) * (10 if state == "tenfold" else 1)
        if state == "tenth":
            regs[0] = round(bv / 10)
    out = {(3, base + i): x for i, x in enumerate(regs)}
    if device == "gap":  # behind a gap within the page
        out.update({(3, base + 31 + i): x for i, x in enumerate([4711, 4712, 4713])})
    if device == "mirror":  # the same list under both functions, in coarse units, input one tick off
        out = {(3, base): round(bv / 10), (3, base + 1): s16(round(ba / 10)), (4, base): round(bv / 10) + 1, (4, base + 1): s16(round(ba / 10))}
        for i in range(8):
            out[(3, base + 2 + i)] = out[(4, base + 2 + i)] = 100 + 7 * i
    return out

def answer(pdu, regs, silent):
    fn, at, n = struct.unpack(">BHH", pdu[:5])
    want = [(fn, at + i) for i in range(n)]
    if fn not in (3, 4) or any(w not in regs for w in want):
        return None if silent else bytes([fn | 0x80, 2])
    return bytes([fn, 2 * n]) + b"".join(struct.pack(">H", regs[w]) for w in want)

def serve(now, silent):
    srv = socket.create_server(("127.0.0.1", 0))
    print("127.0.0.1:%d" % srv.getsockname()[1], flush=True)
    def one(conn):
        f = conn.makefile("rb")
        while True:
            head = f.read(7)
            if len(head) < 7:
                return
            tid, _, size, unit = struct.unpack(">HHHB", head)
            out = answer(f.read(size - 1), now(), silent) if unit == 1 else bytes([0x83, 11])
            if out is not None:
                conn.sendall(struct.pack(">HHHB", tid, 0, len(out) + 1, unit) + out)
    while True:
        threading.Thread(target=one, args=(srv.accept()[0],), daemon=True).start()

def main():
    device = sys.argv[1]
    kind, silent = device.removeprefix("silent-"), device.startswith("silent-")
    state = ["bright"]
    threading.Thread(target=serve, args=(lambda: registers(kind, state[0]), silent), daemon=True).start()
    for line in sys.stdin:
        state[0] = line.strip()
        print("ok", flush=True)

main()
