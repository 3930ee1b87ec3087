"""What libbde and dissect.fve read of a volume that Windows, or a test of this project, encrypted: SHA-256 of the plain volume, or with
--step of the first 4096 bytes of every so many (dissect.fve is slow where there is a diffuser).

    python3 -B scripts/reference/volume_encryption.py IMAGE --password TEXT|--recovery DIGITS|--startup-key FILE [--step BYTES]

Prints one line a library: its name, and the sum, or why it does not open the volume. Ends with 1 unless at least one opened it and all
that did agree. Not all give the same: libbde knows no maps of a conversion, and leaves one field of the first version's boot sector.
"""

import argparse
import hashlib
import os
import sys

import pybde
from dissect.fve.bde import BDE

PIECE = 1 << 20


def summed(stream, size, read, options):
    total = hashlib.sha256()
    step, bytes_of_step = (options.step, 4096) if options.step else (PIECE, PIECE)
    for start in range(0, size, step):
        stream.seek(start)
        total.update(read(min(bytes_of_step, size - start)))
    return total.hexdigest()


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
    return summed(volume, volume.get_size(), volume.read, options)


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
        stream = volume.open()
        return summed(stream, os.path.getsize(options.image), stream.read, options)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("image")
    parser.add_argument("--password")
    parser.add_argument("--recovery")
    parser.add_argument("--startup-key")
    parser.add_argument("--step", type=int)
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
