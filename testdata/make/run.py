"""Running the formatters and drivers, and building in a scratch folder."""

import contextlib
import os
import subprocess
import time

REPO = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
TESTDATA = os.path.join(REPO, "testdata")
REFERENCE = os.path.join(REPO, "scripts", "reference")
VENV_PYTHON = os.path.join(REPO, ".venv", "bin", "python")

ENVIRONMENT = {
    **os.environ,
    "PATH": os.environ.get("PATH", "") + ":/usr/sbin:/sbin",
    "LC_ALL": "C.UTF-8",
    # mtools would refuse media descriptors and geometries it does not know.
    "MTOOLS_SKIP_CHECK": "1",
    # mtools takes the time of new entries from here.
    "SOURCE_DATE_EPOCH": "1556870400",
}


class Failed(Exception):
    """A formatter, driver or reference script ended with an error."""


def tool(*words, stdin=None, codes=(0,)):
    """Runs a program, returns its output, raises with all it said when it fails."""
    done = subprocess.run(
        [str(word) for word in words], input=stdin, capture_output=True, text=True, env=ENVIRONMENT, check=False
    )
    if done.returncode not in codes:
        raise Failed(f"{' '.join(map(str, words))}\nexit {done.returncode}\n{done.stdout[-3000:]}{done.stderr[-3000:]}")
    return done.stdout


def blank(path, size):
    """A new image of `size` zero bytes."""
    with open(path, "wb") as file:
        file.truncate(size)


@contextlib.contextmanager
def served(driver, image, folder, unmount):
    """A driver's program serving a volume at a folder; on leaving, all is on the image and the driver has ended."""
    os.makedirs(folder, exist_ok=True)
    serving = subprocess.Popen(driver, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=ENVIRONMENT)
    try:
        for _ in range(200):
            if os.path.ismount(folder):
                break
            if serving.poll() is not None:
                raise Failed(f"{driver[0]} could not mount {image}: exit {serving.returncode}")
            time.sleep(0.05)
        else:
            raise Failed(f"{driver[0]} did not mount {image} in time")
        yield folder
    finally:
        if os.path.ismount(folder):
            tool(*unmount, folder)
        serving.wait(timeout=120)


def mounted(image, folder, options="streams_interface=windows,compression"):
    """An NTFS image mounted by the FUSE driver."""
    return served(["ntfs-3g", "-o", f"no_detach,{options}", image, folder], image, folder, ["fusermount3", "-u"])


def patch(image, offset, data):
    """Writes bytes into an image in place."""
    with open(image, "r+b") as file:
        file.seek(offset)
        file.write(data)
