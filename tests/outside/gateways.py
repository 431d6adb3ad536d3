"""The emulated supply by clients of others: HiSLIP by pyvisa-py, VXI-11 by python-vxi11; arguments are the two ports."""

import sys
import time

import pyvisa
from vxi11 import vxi11

hislip, core = int(sys.argv[1]), int(sys.argv[2])
supply = pyvisa.ResourceManager("@py").open_resource(f"TCPIP0::127.0.0.1::hislip0,{hislip}::INSTR")
supply.read_termination = supply.write_termination = "\n"
supply.timeout = 2000
assert "EP-0001" in supply.query("*IDN?")
supply.clear()
supply.write("INST:NSEL 2")
supply.write("VOLT:PROT 1.5")
supply.write("VOLT 1.25")
assert supply.query_ascii_values("VOLT?") == [1.25]
supply.write("NONSENSE")
# The status byte has a connection of its own: it may overtake the message.
for _ in range(100):
    if supply.read_stb() & 4:
        break
    time.sleep(0.01)
else:
    raise AssertionError("no error is queued")
assert supply.query("SYST:ERR?").startswith("-113")
assert not supply.read_stb() & 4
supply.close()

client = vxi11.CoreClient("127.0.0.1", core)
error, link, _, _ = client.create_link(1, 0, 0, b"inst0")
assert error == 0
write = lambda text: client.device_write(link, 1000, 0, 8, text.encode())
read = lambda: client.device_read(link, 1000, 1000, 0, 0, 0)
assert write("*IDN?\n")[0] == 0
error, reason, data = read()
assert error == 0 and reason & 4 and b"EP-0001" in data, (error, reason, data)
write("NONSENSE\n")
assert client.device_read_stb(link, 0, 0, 1000) == (0, 4)
assert client.device_clear(link, 0, 0, 1000) == 0
assert client.destroy_link(link) == 0
print("clients of others understand the emulated supply behind HiSLIP and VXI-11")
