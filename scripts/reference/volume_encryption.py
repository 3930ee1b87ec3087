"""What libbde and dissect.fve read of a volume that Windows, or a test of this project, encrypted: SHA-256 of the whole plain volume.

    python3 -B scripts/reference/volume_encryption.py IMAGE --password TEXT [--recovery DIGITS] [--startup-key FILE]

Prints one line a library: its name, and the sum, or why it does not open the volume. Ends with 1 unless at least one opened it and all
that did agree. Not all open all: libbde knows no maps of a conversion, dissect.fve no volume of the first version.
"""

import argparse
import hashlib
import sys

import pybde
from dissect.fve.bde import BDE

PIECE = 1 << 20


def by_libbde(options):
    volume = pybde.volume()
    if options.password:
        volume.set_password(options.password)
    if options.recovery:
        volume.set_recovery_password(options.recovery)
    if options.startup_key:
        volume.read_startup_key(options.startup_key)
    volume.open(options.image)
    if volume.is_locked():
        raise ValueError("locked")
    total, left = hashlib.sha256(), volume.get_size()
    while left:
        piece = volume.read_buffer(min(PIECE, left))
        total.update(piece)
        left -= len(piece)
    return total.hexdigest()


def by_dissect(options):
    with open(options.image, "rb") as image:
        volume = BDE(image)
        if options.password:
            volume.unlock_with_passphrase(options.password)
        elif options.recovery:
            volume.unlock_with_recovery_password(options.recovery)
        elif options.startup_key:
            with open(options.startup_key, "rb") as key:
                volume.unlock_with_bek(key)
        stream, total = volume.open(), hashlib.sha256()
        while piece := stream.read(PIECE):
            total.update(piece)
        return total.hexdigest()


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image")
    parser.add_argument("--password")
    parser.add_argument("--recovery")
    parser.add_argument("--startup-key")
    options = parser.parse_args()
    sums = set()
    for name, read in [("libbde", by_libbde), ("dissect.fve", by_dissect)]:
        try:
            total = read(options)
        except Exception as error:  # each library has errors of its own
            print(f"{name} {type(error).__name__}: {error}")
            continue
        print(name, total)
        sums.add(total)
    sys.exit(0 if len(sums) == 1 else 1)


if __name__ == "__main__":
    main()
