"""The drives of a virtual machine: an image behind qemu's model of a drive, with bad sectors, silence and counts.

Bad sectors are made by qemu's fault injection (its block driver `blkdebug`), below the model of the drive: the guest's kernel
sees what such a drive reports. Silence comes from the block server that has the bytes (nbdkit): it holds reads. Counts come from
qemu's statistics, so neither gleaner nor the guest's kernel counts its own reads.
"""

import hashlib
import json
import os
import subprocess
import time
import zlib

# Linux error numbers (include/uapi/asm-generic/errno*.h). Below qemu's SCSI model a read that fails with ENODATA is a medium
# error, one that fails with EIO an aborted command; the AHCI model reports both as aborted, the NVMe model as a medium error.
EIO, ENODATA = 5, 61


class Drive:
    """One drive. `bad` are the numbers of its bad logical sectors; `properties` belong to qemu's model of it."""

    def __init__(self, name, fixture, folder, model, bad=(), errno=EIO, can_be_silent=False, bridge=None, **properties):
        self.name, self.fixture, self.model, self.errno = name, fixture, model, errno
        self.bad, self.sector, self.size = sorted(bad), fixture.sector, len(fixture.content)
        # ATA and NVMe have room for 20 characters.
        self.serial = f"GLN{zlib.crc32(name.encode()):08X}"
        self.image = fixture.save(os.path.join(folder, name + ".img"))
        self.properties = properties
        # A device in front of the drive, such as a USB bridge.
        self.bridge = bridge
        # On USB the kernel reads each of the last eight sectors with a command of its own (SD_LAST_BUGGY_SECTORS in
        # drivers/scsi/sd.h).
        self.last_alone = 8 if bridge or model == "usb-storage" else 0
        self.can_be_silent, self.server = can_be_silent, None

    def arguments(self):
        """qemu's arguments for it."""
        storage = {"driver": "file", "filename": self.image}
        if self.can_be_silent:
            storage = {"driver": "nbd", "server": {"type": "unix", "path": self._serve()}}
        # An event of `none` makes a rule hold from the start.
        rules = [
            {"event": "none", "iotype": "read", "errno": self.errno, "sector": sector * self.sector // 512, "once": False}
            for sector in self.bad
        ]
        if rules:
            storage = {"driver": "blkdebug", "inject-error": rules, "image": storage}
        node = {"driver": "raw", "node-name": self.name, "file": storage}
        return ["-blockdev", json.dumps(node)] + [word for device in self.devices() for word in ("-device", json.dumps(device))]

    def devices(self):
        """The models of the drive and of what is in front of it, as qemu takes them."""
        drive = {"driver": self.model, "id": self.name + "-drive", "drive": self.name, "serial": self.serial, **self.properties}
        if not self.bridge:
            return [drive]
        return [{"id": self.name + "-bridge", "serial": self.serial, **self.bridge}, {**drive, "bus": self.name + "-bridge.0"}]

    def device(self, machine):
        """The device's name in the machine, by the serial number that the kernel shows: the order of names means nothing.

        It stands in a page of the drive's own for SATA and SCSI, at the controller for NVMe, at the USB device behind USB.
        """
        places = "$b/device/vpd_pg80 $b/device/serial $b/device/../../../../serial"
        search = f"cd /sys/block; for b in *; do cat {places} 2>/dev/null | grep -aqw '{self.serial}' && echo $b; done; true"
        machine.wait_for(f'[ -n "$({search})" ]')
        names = machine.output(search).split()
        if len(names) != 1:
            raise RuntimeError(f"devices with the serial number {self.serial}: {names}")
        return names[0]

    def _serve(self):
        """Starts the block server that can fall silent; it refuses to write."""
        path = self.image + ".socket"
        self._write("releases", 0)
        # A read is held for so many milliseconds and then answered, or fails when it is released before.
        read = """echo "$4 $3" >>"$image.reads"
            if [ -e "$image.silence" ]; then
                until=$(($(date +%s%3N) + $(cat "$image.silence"))) releases=$(cat "$image.releases")
                while [ "$(date +%s%3N)" -lt "$until" ]; do
                    sleep 0.05
                    [ "$(cat "$image.releases")" = "$releases" ] || { echo EIO released >&2; exit 1; }
                done
            fi
            dd if="$image" iflag=skip_bytes,count_bytes skip="$4" count="$3" status=none"""
        self.server = subprocess.Popen(
            ["nbdkit", "--foreground", "--exit-with-parent", "--unix", path, "eval", 'get_size=stat -c %s "$image"',
             "thread_model=echo parallel", "pread=" + read, "pwrite=echo EROFS >&2; exit 1"],
            # It complains of each answer that qemu no longer takes.
            env={**os.environ, "image": self.image}, stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + 10
        while not os.path.exists(path):
            if time.monotonic() > until or self.server.poll() is not None:
                raise RuntimeError("the block server did not start")
            time.sleep(0.05)
        return path

    def _write(self, what, number):
        """Tells the block server something, all at once."""
        with open(f"{self.image}.{what}.new", "w") as file:
            file.write(str(number))
        os.rename(f"{self.image}.{what}.new", f"{self.image}.{what}")

    def fall_silent(self, seconds=1000):
        """From now on each read is answered only after so many seconds, or fails when it is released."""
        self._write("silence", round(seconds * 1000))

    def release(self):
        """Fails all reads that are being held, and no later one: qemu, in a reset, waits for them and drops the answers."""
        self._write("releases", time.monotonic_ns())

    def answer_again(self):
        """From now on reads are answered at once; those that are being held stay so."""
        os.remove(self.image + ".silence")

    def reads(self):
        """Reads that have reached the block server: offset and length, in bytes."""
        with open(self.image + ".reads") as file:
            return [tuple(map(int, line.split())) for line in file]

    def set_up(self, machine):
        """What must be done in the machine before the drive is there: nothing."""

    def unplug(self, machine):
        machine.qmp("device_del", id=self.devices()[0]["id"])

    def plug(self, machine):
        for device in self.devices():
            machine.qmp("device_add", **device)

    def commands(self, machine):
        """Reads and writes that the drive has received since the machine's start, and bytes that it has delivered."""
        for device in machine.qmp("query-blockstats"):
            if device.get("node-name") == self.name or self.name + "-drive" in device.get("qdev", "").split("/"):
                stats = device["stats"]
                # The AHCI model counts some failed reads as done, so only the two together mean something.
                return stats["rd_operations"] + stats["failed_rd_operations"], stats["wr_operations"], stats["rd_bytes"]
        raise RuntimeError(f"qemu does not know {self.name}")

    def sha256(self, fill):
        """Of what a copy of the whole drive must hold: its bytes, with `fill` in place of its bad sectors."""
        content = bytearray(self.fixture.content)
        for sector in self.bad:
            content[sector * self.sector:(sector + 1) * self.sector] = bytes([fill]) * self.sector
        return hashlib.sha256(content).hexdigest()

    def is_unchanged(self, _machine):
        with open(self.image, "rb") as file:
            return file.read() == self.fixture.content

    def end(self):
        if self.server:
            self.server.terminate()
            self.server.wait()


class TargetDrive(Drive):
    """A drive that is to be written: blank at first, and larger than the drives of one fixture."""

    def __init__(self, name, fixture, folder, model, **properties):
        super().__init__(name, fixture, folder, model, **properties)
        self.size += 8 << 20
        with open(self.image, "wb") as file:
            file.truncate(self.size)

    def sha256_of(self, size):
        with open(self.image, "rb") as file:
            return hashlib.sha256(file.read(size)).hexdigest()

    def is_unchanged(self, _machine):
        return True


class DebugDrive:
    """The drive that the kernel's own module `scsi_debug` imitates: its bytes are in the machine's memory."""

    FOLDER = "/sys/bus/pseudo/drivers/scsi_debug"
    # Bits of its `opts` (drivers/scsi/scsi_debug.c).
    SILENT, MEDIUM_ERROR = 4, 2
    last_alone = 0

    def __init__(self, name, fixture, first_bad, bad_count):
        self.name, self.fixture, self.sector, self.size = name, fixture, fixture.sector, len(fixture.content)
        self.bad = list(range(first_bad, first_bad + bad_count))
        self.properties = f"medium_error_start={first_bad} medium_error_count={bad_count}"

    def arguments(self):
        return []

    def set_up(self, machine):
        mib = self.size >> 20
        machine.run(f"modprobe scsi_debug dev_size_mb={mib} physblk_exp=3 {self.properties} opts=0 statistics=1")
        self.fixture.save(os.path.join(machine.share, self.name))
        machine.run(f"dd if=/share/{self.name} of=/dev/{self.device(machine)} bs=1M; rm /share/{self.name}")
        self._set(machine, opts=self.MEDIUM_ERROR)

    def device(self, machine):
        search = "cd /sys/block; for b in *; do grep -qs scsi_debug $b/device/model && echo $b; done; true"
        machine.wait_for(f'[ -n "$({search})" ]')
        return machine.output(search)

    def _set(self, machine, **values):
        for name, value in values.items():
            machine.run(f"echo {value} >{self.FOLDER}/{name}")

    def fall_silent(self, machine):
        """From now on no command is answered at all."""
        self._set(machine, opts=self.SILENT, every_nth=-1)

    def answer_again(self, machine):
        self._set(machine, every_nth=0, opts=self.MEDIUM_ERROR)

    def commands(self, machine):
        """Commands that the kernel has sent it; nothing is known about writes and bytes."""
        return int(machine.output(f"cat /sys/block/{self.device(machine)}/device/iorequest_cnt"), 16), 0, 0

    sha256 = Drive.sha256

    def is_unchanged(self, machine):
        return True

    def end(self):
        pass
