"""A Modbus slave that others wrote: serves input registers with python3-pymodbus.

usage: pymodbus_slave.py rtu DEVICE | tcp PORT  UNIT  ADDRESS=VALUE [ADDRESS=VALUE ...]
It prints "ready" once it serves.
"""
import asyncio
import sys

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.transaction import ModbusRtuFramer


async def main():
    wire, where, unit = sys.argv[1], sys.argv[2], int(sys.argv[3])
    registers = {int(a): int(v) & 0xFFFF for a, v in (pair.split("=") for pair in sys.argv[4:])}
    block = ModbusSparseDataBlock(registers)
    slave = ModbusSlaveContext(ir=block, hr=block, zero_mode=True)
    context = ModbusServerContext(slaves={unit: slave}, single=False)
    print("ready", flush=True)
    if wire == "rtu":
        await StartAsyncSerialServer(context=context, framer=ModbusRtuFramer, port=where, baudrate=9600, timeout=0.05)
    else:
        await StartAsyncTcpServer(context=context, address=("127.0.0.1", int(where)))


asyncio.run(main())
