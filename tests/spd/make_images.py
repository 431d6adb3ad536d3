#!/usr/bin/env python3
"""Writes the synthetic SPD images of tests/data/spd as hexadecimal dumps (address, sixteen bytes a line).

Every module is invented: part numbers, serial numbers and maker codes belong to nobody. The byte layout is written
here a second time, on its own, so that the reader is not checked against itself; the DDR3 and DDR4 images are checked against
Debian's decode-dimms as well.

    python3 tests/spd/make_images.py            write the dumps
    python3 tests/spd/make_images.py --check    exit 1 if a stored dump differs
"""

import binascii
import math
import pathlib
import sys

FOLDER = pathlib.Path(__file__).resolve().parent.parent / "data" / "spd"

DDR3_TCK = {  # rate: (medium, fine) time-base values of the shortest clock period
    800: (0x14, 0x00), 1066: (0x0F, 0x00), 1333: (0x0C, 0x00), 1600: (0x0A, 0x00), 1866: (0x09, 0xCA),
    2133: (0x08, 0xC2),
}
DDR3_DENSITY = {256: 0, 512: 1, 1024: 2, 2048: 3, 4096: 4, 8192: 5, 16384: 6}
DDR3_TYPE = {"RDIMM": 1, "UDIMM": 2, "SO-DIMM": 3, "LRDIMM": 11}
DDR4_TCK = {  # rate: (medium, fine) time-base values of the shortest clock period
    1600: (0x0A, 0x00), 1866: (0x09, 0xCA), 2133: (0x08, 0xC2), 2400: (0x07, 0xD6),
    2666: (0x06, 0x00), 2933: (0x06, 0xBC), 3200: (0x05, 0x00),
}
DDR4_DENSITY = {256: 0, 512: 1, 1024: 2, 2048: 3, 4096: 4, 8192: 5, 16384: 6, 32768: 7, 12288: 8, 24576: 9}
DDR4_TYPE = {"RDIMM": 1, "UDIMM": 2, "SO-DIMM": 3, "LRDIMM": 4}
DDR5_TYPE = {"RDIMM": 1, "UDIMM": 2, "SO-DIMM": 3, "LRDIMM": 4, "CUDIMM": 5}
DDR5_DENSITY = {4: 1, 8: 2, 12: 3, 16: 4, 24: 5, 32: 6, 48: 7, 64: 8}


def crc(data):
    return binascii.crc_hqx(bytes(data), 0)


def seal(image, first, stored):
    image[stored], image[stored + 1] = crc(image[first:stored]) & 255, crc(image[first:stored]) >> 8


def seal_over(image, covered, stored):
    image[stored], image[stored + 1] = crc(image[:covered]) & 255, crc(image[:covered]) >> 8


def ddr3(kind, rate, density_mb, width, ranks, part, serial, rows, cols=10, banks=8, ecc=False, dies=1, loading=0,
         bus=64, sensor=False, supply=0, all_covered=False):
    """density in Mbit a die; loading 1 = multi-load stack; supply: byte 6; all_covered: the checksum takes the maker's
    block in, too."""
    b = bytearray(256)
    b[0], b[1], b[2], b[3] = 0x12 if all_covered else 0x92, 0x13, 0x0B, DDR3_TYPE[kind]
    b[4] = DDR3_DENSITY[density_mb] | int(math.log2(banks) - 3) << 4
    b[5] = (cols - 9) | (rows - 12) << 3
    b[6] = supply
    b[7] = {4: 0, 8: 1, 16: 2}[width] | (ranks - 1) << 3
    b[8] = int(math.log2(bus)) - 3 | (8 if ecc else 0)
    b[9], b[10], b[11] = 0x11, 1, 8
    b[12], b[34] = DDR3_TCK[rate]
    tck_ps = DDR3_TCK[rate][0] * 125 + (DDR3_TCK[rate][1] ^ 0x80) - 0x80
    latency = math.ceil(13125 / tck_ps - 0.025)
    mask = sum(1 << (cl - 4) for cl in range(5, latency + 1))
    b[14], b[15] = mask & 255, mask >> 8
    b[16] = b[18] = b[20] = 0x69  # 13.125 ns
    b[17], b[19] = 0x78, 0x30
    b[21], b[22], b[23] = 0x11, 0x18, 0x81
    b[24], b[25] = 0x20, 0x08
    b[26] = b[27] = 0x3C
    b[28], b[29] = 0x00, 0xF0
    b[30], b[31] = 0x83, 0x05
    b[32] = 0x80 if sensor else 0
    b[33] = (0x80 | (int(math.log2(dies)) + 1) << 4 | loading) if dies > 1 else 0
    b[60], b[61], b[62], b[63] = 0x0F, 0x11, 0x00, 0x05 if kind == "RDIMM" else 0x00
    b[117], b[118], b[119], b[120], b[121] = 0x7F, 0x7F, 0x01, 0x13, 0x31
    b[122:126] = bytes.fromhex(serial)
    seal(b, 0, 126) if all_covered else seal_over(b, 117, 126)
    b[128:146] = part.encode("ascii").ljust(18)
    b[148], b[149] = 0x7F, 0x7F
    return b


def ddr4(kind, rate, density_mb, width, ranks, part, serial, rows, groups=4, cols=10, banks=4, ecc=False,
         dies=1, loading=0, bus=64, sensor=False):
    """density in Mbit a die; loading 1 = multi-load stack, 2 = single-load stack."""
    b = bytearray(512)
    b[0], b[1], b[2], b[3] = 0x23, 0x11, 0x0C, DDR4_TYPE[kind]
    b[4] = DDR4_DENSITY[density_mb] | (int(math.log2(banks)) - 2) << 4 | int(math.log2(groups)) << 6
    b[5] = (cols - 9) | (rows - 12) << 3
    b[6] = (0x80 if dies > 1 else 0) | (dies - 1) << 4 | loading
    b[7], b[9], b[11] = 0x08, 0x60, 0x03
    b[12] = {4: 0, 8: 1, 16: 2}[width] | (ranks - 1) << 3
    b[13] = int(math.log2(bus)) - 3 | (8 if ecc else 0)
    b[14] = 0x80 if sensor else 0
    b[17] = 0
    b[18], b[125] = DDR4_TCK[rate]
    b[19], b[124] = 0x0D, 0xE7  # longest period 1.6 ns
    tck_ps = DDR4_TCK[rate][0] * 125 + (DDR4_TCK[rate][1] ^ 0x80) - 0x80
    latency = math.ceil(13750 / tck_ps - 0.025)
    mask = sum(1 << (cl - 7) for cl in range(9, latency + 1))
    b[20:24] = mask.to_bytes(4, "little")
    for medium in (24, 25, 26):
        b[medium] = 0x6E  # 13.75 ns
    b[27], b[28] = 0x11, 0x00  # tRAS 32 ns
    b[29] = 0x6E  # tRC 45.75 ns
    b[30:36] = bytes([0xF0, 0x0A, 0x20, 0x08, 0x00, 0x05])
    b[36], b[37], b[38], b[39], b[40] = 0x00, 0xA8, 0x1B, 0x28, 0x28
    seal(b, 0, 126)
    b[128], b[129] = 0x11, 0x11
    if kind == "RDIMM":
        b[131] = 0x05
    seal(b, 128, 254)
    # Continuation and code with odd parity, beyond any assigned bank.
    b[320], b[321], b[322], b[323], b[324] = 0x7F, 0x7F, 0x01, 0x24, 0x31
    b[325:329] = bytes.fromhex(serial)
    b[329:349] = part.encode("ascii").ljust(20)
    b[349], b[350], b[351] = 0x00, 0x7F, 0x7F
    return b


def ddr5(kind, rate, density_gb, width, ranks, part, serial, rows, cols=10, groups=8, banks=4, package=0, ecc=0,
         hub=True, sensors=0, bus=32, range_code=7):
    b = bytearray(1024)
    b[0], b[1], b[2], b[3] = 0x30, 0x11, 0x12, DDR5_TYPE[kind]
    b[4] = DDR5_DENSITY[density_gb] | package << 5
    b[5] = (rows - 16) | (cols - 10) << 5
    b[6] = {4: 0, 8: 1, 16: 2}[width] << 5
    b[7] = int(math.log2(groups)) << 5 | int(math.log2(banks))
    b[13] = 1
    tck = 2_000_000 // rate
    b[20:22] = tck.to_bytes(2, "little")
    b[22:24] = (1010).to_bytes(2, "little")
    latency = math.ceil(16_000 / (2e6 / rate) / 2) * 2
    mask = sum(1 << (cl - 20) // 2 for cl in range(22, latency + 1, 2))
    b[24:29] = mask.to_bytes(5, "little")
    for low in (30, 32, 34):
        b[low:low + 2] = (16_000).to_bytes(2, "little")
    b[36:38] = (32_000).to_bytes(2, "little")
    b[38:40] = (48_000).to_bytes(2, "little")
    b[40:42] = (30_000).to_bytes(2, "little")
    b[192] = 0x11
    b[196] = 0x80 if hub else 0
    b[212] = sensors << 6
    b[230] = 0x11
    b[233] = range_code << 4 | 1
    b[234] = (ranks - 1) << 3
    b[235] = 1 << 5 | {0: 0, 4: 1, 8: 2}[ecc] << 3 | int(math.log2(bus)) - 3
    seal(b, 0, 510)
    b[512], b[513], b[515], b[516] = 0x7F, 0x7F, 0x25, 0x07
    b[517:521] = bytes.fromhex(serial)
    b[521:551] = part.encode("ascii").ljust(30)
    return b


IMAGES = {
    "ddr3-udimm-800-ecc": ddr3("UDIMM", 800, 1024, 8, 1, "EXAMPLE-3U1-1R8E", "00000301", rows=14, ecc=True,
                               sensor=True, all_covered=True),
    "ddr3-udimm-1333": ddr3("UDIMM", 1333, 2048, 8, 2, "EXAMPLE-3U4-2R8", "00000302", rows=15),
    "ddr3-udimm-2133": ddr3("UDIMM", 2133, 4096, 8, 1, "EXAMPLE-3U4-1R8", "00000303", rows=16),
    "ddr3-sodimm-1600": ddr3("SO-DIMM", 1600, 4096, 8, 2, "EXAMPLE-3S8-2R8", "00000304", rows=16, supply=2),
    "ddr3-sodimm-1066": ddr3("SO-DIMM", 1066, 2048, 16, 1, "EXAMPLE-3S1-1R16", "00000305", rows=14),
    "ddr3-rdimm-1866": ddr3("RDIMM", 1866, 4096, 4, 2, "EXAMPLE-3R16-2R4", "00000306", rows=16, cols=11, ecc=True,
                            sensor=True),
    "ddr3-lrdimm-1333": ddr3("LRDIMM", 1333, 4096, 4, 4, "EXAMPLE-3L32-4DR4", "00000307", rows=16, cols=11, ecc=True,
                             dies=2, loading=1, sensor=True),
    "ddr4-udimm-1600": ddr4("UDIMM", 1600, 4096, 8, 1, "EXAMPLE-U4-1R8-16", "00000A01", rows=15),
    "ddr4-udimm-1866": ddr4("UDIMM", 1866, 4096, 8, 2, "EXAMPLE-U8-2R8-18", "00000A02", rows=15),
    "ddr4-udimm-2400-ecc": ddr4("UDIMM", 2400, 8192, 8, 1, "EXAMPLE-U8-1R8-24E", "00000A03", rows=16, ecc=True,
                                sensor=True),
    "ddr4-udimm-3200": ddr4("UDIMM", 3200, 8192, 8, 2, "EXAMPLE-U16-2R8-32", "5EED0A04", rows=16),
    "ddr4-sodimm-2400": ddr4("SO-DIMM", 2400, 16384, 16, 1, "EXAMPLE-S8-1R16-24", "00000B01", rows=17, groups=2),
    "ddr4-sodimm-3200": ddr4("SO-DIMM", 3200, 8192, 8, 2, "EXAMPLE-S16-2R8-32", "00000B02", rows=16),
    "ddr4-rdimm-2933": ddr4("RDIMM", 2933, 8192, 4, 2, "EXAMPLE-R32-2R4-29", "00000C01", rows=17, ecc=True,
                            sensor=True),
    "ddr4-rdimm-3ds-2133": ddr4("RDIMM", 2133, 4096, 4, 2, "EXAMPLE-R64-2S4R4-21", "00000D01", rows=16, ecc=True,
                                dies=4, loading=2, sensor=True),
    "ddr4-lrdimm-2666": ddr4("LRDIMM", 2666, 8192, 4, 4, "EXAMPLE-L64-4DR4-26", "00000E01", rows=17, ecc=True,
                             dies=2, loading=1, sensor=True),
    "ddr5-udimm-4800": ddr5("UDIMM", 4800, 16, 8, 1, "EXAMPLE-5U16-1R8-48", "00000F01", rows=16),
    "ddr5-sodimm-5600": ddr5("SO-DIMM", 5600, 16, 16, 1, "EXAMPLE-5S8-1R16-56", "00000F02", rows=16, groups=4),
    "ddr5-udimm-5200-ecc": ddr5("UDIMM", 5200, 24, 8, 2, "EXAMPLE-5U48-2R8-52E", "00000F03", rows=17, ecc=4),
    "ddr5-rdimm-6400": ddr5("RDIMM", 6400, 16, 4, 2, "EXAMPLE-5R64-2R4-64", "00000F04", rows=16, cols=11, ecc=8,
                            sensors=3, range_code=8),
    "ddr5-rdimm-3ds-4800": ddr5("RDIMM", 4800, 16, 4, 2, "EXAMPLE-5R256-2S4R4-48", "00000F05", rows=16, cols=11,
                                ecc=8, package=3, hub=False, sensors=1),
}


def dump(image):
    lines = (f"{at:08x}  {image[at:at + 16].hex(' ')}" for at in range(0, len(image), 16))
    return "\n".join(lines) + "\n"


def main():
    checking = sys.argv[1:] == ["--check"]
    differing = []
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, image in IMAGES.items():
        path = FOLDER / f"{name}.hex"
        if checking:
            if not path.exists() or path.read_text() != dump(image):
                differing.append(path.name)
        else:
            path.write_text(dump(image))
    if differing:
        sys.exit("these stored images differ from the script's: " + ", ".join(differing))


if __name__ == "__main__":
    main()
