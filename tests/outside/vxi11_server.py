"""A supply behind VXI-11 and a port mapper: remote procedure calls and XDR by python-vxi11, the instrument by a dictionary.

Prints the core channel's port, then "mapped" where it could serve the port mapper's port 111, else "unmapped".
"""

import sys
import threading

from vxi11 import rpc, vxi11


class Supply:
    def __init__(self):
        self.set, self.errors, self.answer, self.channel = {}, [], None, "1"

    def hear(self, text):
        for message in text.strip().split(";"):
            word, _, value = message.strip().partition(" ")
            word = word.lstrip(":").upper()
            if word == "*IDN?":
                self.answer = "NOBODY,SUPPLY OF OTHERS,OT-0001,1.0"
            elif word in ("*CLS", "*RST"):
                self.errors.clear()
            elif word == "*OPC?":
                self.answer = "1"
            elif word == "SYST:ERR?":
                self.answer = self.errors.pop(0) if self.errors else '0,"No error"'
            elif word == "INST:NSEL":
                self.channel = value
            elif word == "INST:NSEL?":
                self.answer = self.channel
            elif word in ("VOLT", "CURR", "VOLT:PROT"):
                if float(value) > 6:
                    self.errors.append('-222,"Data out of range"')
                else:
                    self.set[self.channel, word] = float(value)
            elif word in ("VOLT?", "CURR?", "VOLT:PROT?"):
                self.answer = f"{self.set.get((self.channel, word[:-1]), 0.0):.6f}"
            else:
                self.errors.append('-113,"Undefined header"')


class Core(rpc.TCPServer):
    """Every argument must be there and none too many: `turn_around` refuses the call otherwise."""

    def __init__(self):
        self.supply = Supply()
        rpc.TCPServer.__init__(self, "127.0.0.1", vxi11.DEVICE_CORE_PROG, vxi11.DEVICE_CORE_VERS, 0)

    def addpackers(self):
        self.packer, self.unpacker = vxi11.Packer(), vxi11.Unpacker(b"")

    def generic(self):
        take = self.unpacker
        return take.unpack_int(), take.unpack_int(), take.unpack_uint(), take.unpack_uint()

    def handle_10(self):  # create_link
        take = self.unpacker
        _client, _lock, _wait, device = take.unpack_int(), take.unpack_bool(), take.unpack_uint(), take.unpack_string()
        self.turn_around()
        self.packer.pack_int(vxi11.ERR_NO_ERROR if device == b"inst0" else vxi11.ERR_DEVICE_NOT_ACCESSIBLE)
        self.packer.pack_int(7)
        self.packer.pack_uint(0)  # no abort channel
        self.packer.pack_uint(1024)

    def handle_11(self):  # device_write
        take = self.unpacker
        link, _timeout, _wait, flags, data = (
            take.unpack_int(), take.unpack_uint(), take.unpack_uint(), take.unpack_int(), take.unpack_opaque())
        self.turn_around()
        assert link == 7 and flags & vxi11.OP_FLAG_END
        self.supply.hear(data.decode())
        self.packer.pack_int(vxi11.ERR_NO_ERROR)
        self.packer.pack_uint(len(data))

    def handle_12(self):  # device_read
        take = self.unpacker
        link, _size = take.unpack_int(), take.unpack_uint()
        take.unpack_uint(), take.unpack_uint(), take.unpack_int(), take.unpack_int()
        self.turn_around()
        answer, self.supply.answer = self.supply.answer, None
        if answer is None:
            self.packer.pack_int(vxi11.ERR_IO_TIMEOUT)
            self.packer.pack_int(0)
            self.packer.pack_opaque(b"")
        else:
            # In two parts, as buffers of real instruments cut them.
            half = len(answer) // 2 if len(answer) > 8 else len(answer)
            self.packer.pack_int(vxi11.ERR_NO_ERROR)
            if half < len(answer):
                self.supply.answer = answer[half:]
                self.packer.pack_int(vxi11.RX_REQCNT)
                self.packer.pack_opaque(answer[:half].encode())
            else:
                self.packer.pack_int(vxi11.RX_END)
                self.packer.pack_opaque(answer.encode() + b"\n")

    def handle_13(self):  # device_readstb
        self.generic()
        self.turn_around()
        self.packer.pack_int(vxi11.ERR_NO_ERROR)
        self.packer.pack_uint(4 if self.supply.errors else 0)

    def handle_15(self):  # device_clear
        self.generic()
        self.turn_around()
        self.supply.answer = None
        self.packer.pack_int(vxi11.ERR_NO_ERROR)

    def handle_23(self):  # destroy_link
        self.unpacker.unpack_int()
        self.turn_around()
        self.packer.pack_int(vxi11.ERR_NO_ERROR)


class Mapper(rpc.TCPServer):
    def __init__(self, port):
        self.core = port
        rpc.TCPServer.__init__(self, "127.0.0.1", rpc.PMAP_PROG, rpc.PMAP_VERS, rpc.PMAP_PORT)

    def addpackers(self):
        self.packer, self.unpacker = rpc.PortMapperPacker(), rpc.PortMapperUnpacker(b"")

    def handle_3(self):  # get_port
        program, version, protocol, _ = self.unpacker.unpack_mapping()
        self.turn_around()
        asked = (program, version, protocol)
        known = asked == (vxi11.DEVICE_CORE_PROG, vxi11.DEVICE_CORE_VERS, rpc.IPPROTO_TCP)
        self.packer.pack_uint(self.core if known else 0)


core = Core()
try:
    mapper = Mapper(core.port)
    threading.Thread(target=mapper.loop, daemon=True).start()
    mapped = "mapped"
except OSError:
    mapped = "unmapped"
core.sock.listen(4)
print(core.port, mapped, flush=True)
threading.Thread(target=lambda: (sys.stdin.read(), core.sock.close(), __import__("os")._exit(0)), daemon=True).start()
core.loop()
