"""Makes every fixture, or those named on the command line."""

import os
import sys
import tempfile

import fixture
import ntfs_rich


def ntfs(make):
    """A maker of an image with one NTFS volume: `make(image, mount folder)`."""

    def whole(name, scratch):
        image = os.path.join(scratch, f"{name}.img")
        make(image, os.path.join(scratch, "mount"))
        fixture.keep_ntfs(name, image, scratch)

    return whole


FIXTURES = {
    "ntfs-rich": ntfs(ntfs_rich.make),
}


def main():
    names = sys.argv[1:] or list(FIXTURES)
    unknown = [name for name in names if name not in FIXTURES]
    if unknown:
        sys.exit(f"no such fixture: {', '.join(unknown)}; there are {', '.join(FIXTURES)}")
    for name in names:
        with tempfile.TemporaryDirectory(prefix="gleaner-testdata-") as scratch:
            FIXTURES[name](name, scratch)


if __name__ == "__main__":
    main()
