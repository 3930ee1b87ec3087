"""A virtual machine with Debian's own kernel: made, started, given commands, given faults, stopped.

qemu emulates the processor, so neither KVM nor a module of the host's kernel is needed. Commands go in over a serial port;
drives are plugged, unplugged and counted over qemu's own control socket (QMP).
"""

import base64
import json
import os
import re
import select
import shutil
import socket
import subprocess
import time

HERE = os.path.dirname(os.path.abspath(__file__))
REPOSITORY = os.path.dirname(os.path.dirname(HERE))
KERNEL = os.path.join(REPOSITORY, ".kernel")

# Those that the scenarios use; what they depend on is loaded with them. `crct10dif_generic` is found by no dependency.
MODULES = """virtio_pci 9pnet_virtio 9p crct10dif_generic crc64_rocksoft_generic sd_mod sg ahci xhci_pci usb_storage nvme
drivetemp""".split()
# Loaded by the scenarios themselves.
LATER_MODULES = ["scsi_debug"]


class MachineError(Exception):
    """The machine did not start, did not answer, or died."""


def make_initial_ram_disk(program, path):
    """Writes the machine's whole system: busybox, `program` with its libraries, the modules."""
    root = path + ".root"
    with open(os.path.join(KERNEL, "version")) as file:
        version = file.read().strip()
    for folder in ["bin", "proc", "sys", "dev", "agent"]:
        os.makedirs(os.path.join(root, folder))
    shutil.copy(os.path.join(HERE, "init"), os.path.join(root, "init"))
    shutil.copy(shutil.which("busybox"), os.path.join(root, "bin"))
    # Without symbols the program is a fifth as large.
    subprocess.run(["strip", "-o", os.path.join(root, "bin/gleaner"), program], check=True)
    listed = subprocess.run(["ldd", program], check=True, capture_output=True, text=True).stdout
    for library in re.findall(r"(/\S+) \(0x", listed):
        os.makedirs(root + os.path.dirname(library), exist_ok=True)
        shutil.copy(library, root + library)
    modules = os.path.join("lib/modules", version)
    for relative in _with_dependencies(os.path.join(KERNEL, modules), MODULES + LATER_MODULES):
        target = os.path.join(root, modules, relative)
        os.makedirs(os.path.dirname(target), exist_ok=True)
        shutil.copy(os.path.join(KERNEL, modules, relative), target)
    for name in ["modules.builtin", "modules.order"]:
        shutil.copy(os.path.join(KERNEL, modules, name), os.path.join(root, modules))
    subprocess.run(["busybox", "depmod", "-b", root, version], check=True)
    with open(os.path.join(root, "modules"), "w") as file:
        file.write("\n".join(MODULES) + "\n")
    with open(path, "wb") as file:
        subprocess.run("find . | busybox cpio -o -H newc", shell=True, cwd=root, stdout=file, stderr=subprocess.DEVNULL, check=True)
    shutil.rmtree(root)


def _with_dependencies(folder, names):
    """The files of modules and of all that they need, relative to the folder of the kernel's modules."""
    depends = {}
    with open(os.path.join(folder, "modules.dep")) as file:
        for line in file:
            module, needs = line.split(":")
            depends[module] = needs.split()
    by_name = {os.path.basename(module)[:-3].replace("-", "_"): module for module in depends}
    wanted = set()
    for name in names:
        module = by_name[name.replace("-", "_")]
        wanted |= {module, *depends[module]}
    return sorted(wanted)


class Answer:
    """What a command in the machine printed, and its exit code."""

    def __init__(self, command, code, output, errors):
        self.command, self.code, self.output, self.errors = command, code, output, errors

    def json(self):
        try:
            return json.loads(self.output)
        except ValueError:
            raise MachineError(f"no JSON: {self}") from None

    def __str__(self):
        return f"`{self.command}` ended with {self.code}: {self.output.strip()[-2000:]} {self.errors.strip()[-2000:]}"


class Machine:
    """A running machine; use it in a `with` statement. `devices` are qemu's arguments for its drives."""

    running = []

    def __init__(self, name, folder, ram_disk, devices=(), memory=768):
        self.name = name
        self.share = os.path.join(folder, name)
        self.number = 0
        os.makedirs(self.share)
        paths = {what: os.path.join(folder, f"{name}-{what}") for what in ["console", "commands", "control"]}
        self.console = paths["console"]
        with open(os.path.join(KERNEL, "version")) as file:
            kernel = os.path.join(KERNEL, "boot", "vmlinuz-" + file.read().strip())
        arguments = ["qemu-system-x86_64", "-machine", "q35,accel=tcg", "-cpu", "max", "-smp", "1", "-m", str(memory)]
        arguments += ["-nodefaults", "-display", "none", "-no-reboot", "-kernel", kernel, "-initrd", ram_disk]
        # A panic ends the machine at once. On a busy host the kernel must not measure its own clocks: it would find them wrong.
        arguments += ["-append", "console=ttyS0 loglevel=7 panic=-1 no_timer_check tsc=reliable mitigations=off nokaslr"]
        arguments += ["-serial", "file:" + self.console]
        arguments += ["-chardev", f"socket,id=commands,path={paths['commands']},server=on,wait=off", "-serial", "chardev:commands"]
        arguments += ["-qmp", f"unix:{paths['control']},server=on,wait=off"]
        arguments += ["-virtfs", f"local,path={self.share},mount_tag=share,security_model=none"]
        self.process = subprocess.Popen(arguments + list(devices), stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        self.running.append(self)
        try:
            self.commands = self._connect(paths["commands"])
            self.control = self._connect(paths["control"])
            self._read_line(self.control, 20)
            self.qmp("qmp_capabilities")
            self.started = time.monotonic()
            line = self._read_line(self.commands, 90)
            if line != "ready":
                raise MachineError(f"the machine {name} said {line!r} instead of being ready")
        except BaseException:
            self.__exit__(None, None, None)
            raise

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self.running.remove(self)

    def _connect(self, path):
        until = time.monotonic() + 20
        while True:
            try:
                connection = socket.socket(socket.AF_UNIX)
                connection.connect(path)
                return connection.makefile("rwb"), connection
            except OSError:
                connection.close()
                if self.process.poll() is not None or time.monotonic() > until:
                    raise MachineError(f"the machine {self.name} did not start: {self._last_words()}") from None
                time.sleep(0.05)

    def _last_words(self):
        errors = self.process.stderr.read() if self.process.poll() is not None else ""
        console = ""
        if os.path.exists(self.console):
            with open(self.console, errors="replace") as file:
                console = "".join(file.readlines()[-30:])
        return f"{errors}\nlast lines of its console:\n{console}"

    def _read_line(self, channel, seconds):
        file, connection = channel
        connection.settimeout(seconds)
        try:
            line = file.readline().decode()
        except TimeoutError:
            raise MachineError(f"the machine {self.name} did not answer within {seconds} s: {self._last_words()}") from None
        except ConnectionError:
            line = ""
        if not line:
            self.process.wait()
            raise MachineError(f"the machine {self.name} ended: {self._last_words()}")
        return line.strip()

    @staticmethod
    def _write(channel, line):
        channel[0].write(line.encode() + b"\n")
        channel[0].flush()

    def run(self, command, seconds=120, ends_with=0):
        """Runs a shell command in the machine; `ends_with` is the exit code it must have, `None` for any."""
        self.number += 1
        encoded = base64.b64encode(command.encode()).decode()
        self._write(self.commands, f"{self.number} {encoded}")
        number, code, output, errors = self._read_line(self.commands, seconds).split(" ")
        assert int(number) == self.number, f"answer {number} to command {self.number}"
        text = [base64.b64decode(field[2:]).decode(errors="replace") for field in (output, errors)]
        answer = Answer(command, int(code), *text)
        if ends_with is not None and answer.code != ends_with:
            raise MachineError(f"exit code {ends_with} was expected: {answer}")
        return answer

    def output(self, command, **options):
        """What a command prints, without blanks around it."""
        return self.run(command, **options).output.strip()

    def gleaner(self, arguments, **options):
        """Runs gleaner with --json, and returns what it says."""
        return self.run(f"gleaner {arguments} --json", **options).json()

    def wait_for(self, condition, seconds=30):
        """Waits until a shell command in the machine succeeds."""
        loops = int(seconds / 0.1)
        self.run(f"n=0; until {condition}; do n=$((n + 1)); [ $n -lt {loops} ] || exit 1; usleep 100000; done", seconds + 60)

    def console_lines(self, pattern):
        """How many lines of the kernel's log match, read from outside: the machine may be standing still."""
        with open(self.console, errors="replace") as file:
            return sum(bool(re.search(pattern, line)) for line in file)

    def stands_still(self, seconds):
        """Whether qemu itself does not answer within so many seconds; then `catch_up` must follow before anything else."""
        self._write(self.control, json.dumps({"execute": "query-status"}))
        if not select.select([self.control[1]], [], [], seconds)[0]:
            return True
        self.catch_up()
        return False

    def catch_up(self):
        """Waits for qemu's answer."""
        while "return" not in json.loads(self._read_line(self.control, 60)):
            pass

    def qmp(self, command, **arguments):
        """Gives qemu itself an order, and returns its answer."""
        names = {name.replace("_", "-"): value for name, value in arguments.items()}
        self._write(self.control, json.dumps({"execute": command, "arguments": names}))
        while True:
            answer = json.loads(self._read_line(self.control, 60))
            if "error" in answer:
                raise MachineError(f"qemu refuses {command}: {answer['error']['desc']}")
            # Events stand between the answers.
            if "return" in answer:
                return answer["return"]
