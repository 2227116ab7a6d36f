#!/usr/bin/python3
"""An independent Modbus device: pymodbus serves registers given as arguments.

Usage: pymodbus_slave.py rtu PORT UNIT h16=1284 i8=7 ...
       pymodbus_slave.py tcp|rtu_tcp - UNIT h16=1284 i8=7 ...
h is a holding register, i an input register, addresses as on the wire. It has registers 0
to 99 and those given, and refuses the others. Prints "ready", followed by the TCP port if there is one.
"""
import asyncio
import sys

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server.async_io import ModbusSerialServer, ModbusTcpServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer


async def main():
    how, port, unit, *registers = sys.argv[1:]
    held = {"h": dict.fromkeys(range(100), 0), "i": dict.fromkeys(range(100), 0)}
    for r in registers:
        at, value = r[1:].split("=")
        held[r[0]][int(at)] = int(value, 0)
    slave = ModbusSlaveContext(
        hr=ModbusSparseDataBlock(held["h"]), ir=ModbusSparseDataBlock(held["i"]), zero_mode=True
    )
    context = ModbusServerContext(slaves={int(unit): slave}, single=False)
    if how == "rtu":
        server = ModbusSerialServer(
            context, framer=ModbusRtuFramer, port=port, baudrate=9600, timeout=0.01, ignore_missing_slaves=True
        )
        await server.start()
        print("ready", flush=True)
        await server.serve_forever()
        return
    framer = ModbusRtuFramer if how == "rtu_tcp" else ModbusSocketFramer
    server = ModbusTcpServer(context, framer=framer, address=("127.0.0.1", 0), ignore_missing_slaves=True)
    task = asyncio.create_task(server.serve_forever())
    await server.serving
    print("ready", server.server.sockets[0].getsockname()[1], flush=True)
    await task


asyncio.run(main())
