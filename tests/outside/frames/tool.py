"""The `samples` program, kept running: a rectangle in, numbers out."""

import os
import subprocess

import numpy as np

KINDS = {"U8": "u1", "U16": "<u2", "U32": "<u4", "F16": "<f4", "F32": "<f4"}


def program():
    return os.path.join(os.environ["PLATEWRIGHT_BIN_DIR"], "examples", "samples")


class Tool:
    def __init__(self):
        self.process = subprocess.Popen([program()], stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def ask(self, path, rect=(0, 0, 0, 0)):
        """Samples (rows, columns, channels) and the header's words, or the refusal as a string and None."""
        self.process.stdin.write(("%d %d %d %d %s\n" % (*rect, path)).encode())
        self.process.stdin.flush()
        line = self.process.stdout.readline().decode().strip()
        verdict, _, rest = line.partition(" ")
        if verdict != "ok":
            return rest, None
        head = dict(word.split("=") for word in rest.split(" "))
        raw = self.process.stdout.read(int(head["bytes"]))
        samples = np.frombuffer(raw, KINDS[head["kind"]])
        shape = int(head["height"]), int(head["width"]), int(head["channels"])
        return samples.reshape(shape), head

    def close(self):
        self.process.stdin.close()
        return self.process.wait()
