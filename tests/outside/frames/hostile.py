"""Files that lie or end early, each read in a process of its own whose memory is measured."""

import os
import struct
import subprocess
import zlib

from frames.tiffs import assembled
from frames.tool import program

# The `samples` program allows itself 256 MiB; the rest is the program and its threads' stacks.
ACCOUNT = 256 << 20
PROGRAM = 48 << 20


def outcome(path):
    """(last line, peak bytes, exit status) of reading the whole file."""
    with subprocess.Popen([program()], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        process.stdin.write(f"0 0 0 0 {path}\n".encode())
        process.stdin.close()
        line = process.stdout.readline().decode(errors="replace").strip()
        while process.stdout.read(1 << 16):
            pass
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = status
    return line, usage.ru_maxrss * 1024, status


def chunk(kind, data):
    body = kind + data
    return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))


def png(width, height, *chunks):
    header = struct.pack(">IIBBBBB", width, height, 16, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + b"".join(chunks) + chunk(b"IEND", b"")


def files():
    """(name, bytes, whether samples may come of it)."""
    gray = {256: 16, 257: 16, 258: 8, 259: 8, 262: 1, 277: 1, 278: 16}
    zeros = zlib.compress(bytes(1 << 28), 1)
    yield "60,000 x 60,000", assembled("<", gray | {256: 60000, 257: 60000}, [zlib.compress(bytes(256))]), False
    yield "40,000 x 40,000", assembled("<", gray | {256: 40000, 257: 40000, 278: 40000}, [zeros]), False
    large = gray | {256: 15000, 257: 15000, 278: 15000}
    yield "15,000 x 15,000 of zeros", assembled("<", large, [zlib.compress(bytes(15000 * 15000), 1)]), True
    # What decodes to far more than it should is refused, without being decoded to its end.
    yield "15,000 x 15,000 in a strip that goes on", assembled("<", large, [zeros]), False
    yield "a Deflate bomb", assembled("<", gray, [zeros]), False
    yield "4,294,967,295 channels", assembled("<", gray | {277: 2**32 - 1}, [b"x"]), False
    yield "PNG 60,000 x 60,000", png(60000, 60000, chunk(b"IDAT", zeros)), False
    yield "PNG 30,000 x 30,000", png(30000, 30000, chunk(b"IDAT", zeros)), False
    profile = b"x\0\0" + zeros
    yield "PNG with a profile bomb", png(4, 4, chunk(b"iCCP", profile), chunk(b"IDAT", zlib.compress(bytes(100)))), False
    yield "PNG with a text bomb", png(4, 4, chunk(b"zTXt", profile), chunk(b"IDAT", zlib.compress(bytes(100)))), True
    head = b"\xff\xd8\xff\xc2\0\x11\x08\xff\xff\xff\xff\x03\x01\x22\0\x02\x11\x01\x03\x11\x01"
    scan = b"\xff\xda\0\x0c\x03\x01\0\x02\x11\x03\x11\0\0\0"
    yield "JPEG 65,535 x 65,535", head + scan + bytes(99) + b"\xff\xd9", False
    yield "JPEG 12,000 x 12,000", head.replace(b"\xff\xff\xff\xff", b"\x2e\xe0\x2e\xe0") + scan + b"\xff\xd9", False
