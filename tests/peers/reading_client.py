"""Reads registers by pymodbus (a Modbus library of other people's), over a serial line or TCP, for the tests.

reading_client.py PATH_OR_HOST:PORT UNIT TABLE ADDRESS COUNT [WRITE ...]; the values on standard output. With WRITE the values are
written first (one by function 6 or 5, several by 16 or 15). On a serial line without parity: the C library refuses one on a
pseudo-terminal, which has none.
"""

import sys

from pymodbus.client import ModbusSerialClient, ModbusTcpClient

place, unit, table, address, count = sys.argv[1:6]
writes = [int(value) for value in sys.argv[6:]]
if place.startswith("/"):
    client = ModbusSerialClient(place, baudrate=38400, parity="N", timeout=5)
else:
    host, port = place.rsplit(":", 1)
    client = ModbusTcpClient(host, port=int(port), timeout=5)
if not client.connect():
    sys.exit(f"{place}: cannot be opened")


def checked(answer):
    if answer.isError():
        sys.exit(str(answer))
    return answer


address, unit = int(address), int(unit)
if writes and table == "coil":
    checked(client.write_coils(address, [bool(value) for value in writes], device_id=unit))
elif len(writes) == 1:
    checked(client.write_register(address, writes[0], device_id=unit))
elif writes:
    checked(client.write_registers(address, writes, device_id=unit))
read = {
    "coil": client.read_coils,
    "discrete-input": client.read_discrete_inputs,
    "holding": client.read_holding_registers,
    "input": client.read_input_registers,
}[table]
answer = checked(read(address, count=int(count), device_id=unit))
values = answer.registers if table in ("holding", "input") else answer.bits[: int(count)]
print(*(int(value) for value in values))
client.close()
