"""Contents of the fixtures' files: compressible, and different in every block.

Each block names its file and its own number, so that a block read from the wrong place, or put in the wrong place,
shows at once when the content is compared.
"""

import random


def block(name, index, length):
    """One block: the line that names it, repeated to `length` bytes."""
    line = f"Fernhollow Survey | {name} | block {index:07d}\n".encode()
    return (line * (length // len(line) + 1))[:length]


def pattern(name, size, block_bytes=4096):
    """`size` bytes made of numbered blocks."""
    whole, rest = divmod(size, block_bytes)
    data = b"".join(block(name, index, block_bytes) for index in range(whole))
    return data + block(name, whole, rest)


def noise(name, size):
    """`size` bytes that do not compress, the same for the same name."""
    return random.Random(f"gleaner fixture {name}").randbytes(size)
