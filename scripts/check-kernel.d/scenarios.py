"""What gleaner must do with drives that a real kernel attaches.

A scenario takes the machine and a drive of it, raises `Wrong` when something is not as it must be, and returns what it saw.
"""

import csv
import io
import json
import time

# What unreadable sectors hold in an image here; no fixture has a sector full of it.
FILL = 0xBD


class Wrong(Exception):
    """Something is not as it must be."""


def must_be(what, found, expected):
    if found != expected:
        raise Wrong(f"{what}: {found!r}, must be {expected!r}")


def must(what, condition):
    if not condition:
        raise Wrong(f"not so: {what}")


def requests_of(text):
    """The requests of a trace: offset, length, outcome, seconds."""
    rows = csv.DictReader(io.StringIO(text))
    return [(int(row["offset"]), int(row["length"]), row["outcome"], int(row["microseconds"]) / 1e6) for row in rows]


def of_classes(copy, what):
    return sum(part[what + "_bytes"] for part in copy["classes"])


def prepare(machine, drive, case):
    """Surveys the drive and plans to read all that is not zero; returns its name and the survey."""
    device = drive.device(machine)
    machine.run(f"rm -rf {case} {case}.*")
    survey = machine.gleaner(f"survey --case {case} /dev/{device} --quiet")
    machine.run(f"gleaner plan --case {case} --scope allocated --also deleted --also outside --json --quiet")
    return device, survey


def must_be_complete(machine, drive, case, copy):
    """Each byte of the drive that can be read is in the image, the bad sectors alone are unreadable, nothing was written."""
    must_be("why the copy ended", copy["end"]["why"], "complete")
    must_be("unreadable bytes", of_classes(copy, "unreadable"), len(drive.bad) * drive.sector)
    must_be("copied bytes", of_classes(copy, "copied"), of_classes(copy, "planned") - len(drive.bad) * drive.sector)
    must_be("the image's SHA-256", machine.output(f"sha256sum {case}/image.raw").split()[0], drive.sha256(FILL))
    must_be("write commands", drive.commands(machine)[1], 0)


def must_be_counted(copy, requests, failed):
    """The outcome counts what the trace has; a copy also reads known sectors again, to see whether the drive is still itself."""
    must_be("requests", copy["requests"] + copy["checks"]["requests"], len(requests))
    must_be("failed requests", copy["failed_requests"] + copy["checks"]["failed_requests"], len(failed))


def commands_for(requests, drive, if_failed):
    """How many commands the kernel sends for these requests, `if_failed` for one that fails."""
    alone_from = drive.size - drive.last_alone * drive.sector
    commands = 0
    for offset, length, result, _ in requests:
        whole = 1 if offset < alone_from else 0
        alone = max(0, offset + length - max(offset, alone_from)) // drive.sector
        commands += (whole + alone) * (1 if result == "read" else if_failed)
    return commands


def medium_errors(machine, drive, commands=1):
    """Exactly the injected sectors are unreadable, the files in them are damaged, and every failure is counted.

    `commands` is how many commands the kernel sends for a request that fails. Requests of 128 KiB are one command each.
    """
    case = f"/tmp/{drive.name}"
    device, survey = prepare(machine, drive, case)
    must_be("size", survey["source"]["bytes"], drive.size)
    must_be("logical sector", survey["source"]["logical_sector"], drive.sector)
    before = drive.commands(machine)[0]
    copy = machine.gleaner(
        f"copy --case {case} /dev/{device} --fill {FILL} --request 128 --to-the-end --trace {case}.csv --quiet", ends_with=10
    )
    received = drive.commands(machine)[0] - before
    must_be_complete(machine, drive, case, copy)

    requests = requests_of(machine.output(f"cat {case}.csv"))
    failed = [request for request in requests if request[2] != "read"]
    unit = survey["source"]["physical_sector"]
    alone = {offset // unit for offset, length, *_ in failed if length == unit}
    must_be("physical sectors that failed alone", alone, {sector * drive.sector // unit for sector in drive.bad})
    must_be_counted(copy, requests, failed)
    must_be("commands that the drive received", received, commands_for(requests, drive, commands))

    expected = drive.fixture.files_with(drive.bad)
    audit = machine.output(f"gleaner audit --case {case} --json", ends_with=10 if expected else 0).splitlines()
    files = [json.loads(line) for line in audit]
    must_be("damaged files", {file["path"] for file in files if file.get("state") == "damaged"}, expected)
    return f"{len(failed)} failed requests for {len(drive.bad)} bad sectors, {commands} commands each"


def start_copy(machine, case, device, options=""):
    """Starts a copy in the background."""
    machine.run(f"rm -f {case}.code {case}.csv")
    command = f"gleaner copy --case {case} /dev/{device} --fill {FILL} --request 1024 --to-the-end --trace {case}.csv --quiet --json {options}"
    machine.run(f"( {command} >{case}.json 2>{case}.errors; echo $? >{case}.code ) >/dev/null 2>&1 &")


def must_run(machine, case):
    """The copy in the background has not ended."""
    if machine.run(f"[ -s {case}.code ]", ends_with=None).code == 0:
        raise Wrong("the copy ended early: " + machine.output(f"cat {case}.code; tail -c 1000 {case}.errors"))


def end_of_copy(machine, case, seconds, ends_with):
    """Waits for its end, and returns its outcome."""
    machine.wait_for(f"[ -s {case}.code ]", seconds)
    code = int(machine.output(f"cat {case}.code"))
    text = machine.output(f"cat {case}.json")
    if code != ends_with:
        raise Wrong(f"the copy ended with {code}, must be {ends_with}: {text[-1000:]} {machine.output(f'tail -c 1000 {case}.errors')}")
    return json.loads(text) if text else None


def silent_drive(machine, drive):
    """A drive that does not answer for a while costs time and a failed request, and no byte."""
    case = f"/tmp/{drive.name}"
    device, _ = prepare(machine, drive, case)
    machine.run(f"echo 7 >/sys/block/{device}/device/timeout; echo 0 | tee /sys/block/{device}/device/scsi_disk/*/max_retries")
    # A busy machine may have reset a drive while it started.
    resets = machine.console_lines("hard resetting link")
    start_slowly(machine, drive, case, device)
    drive.fall_silent()
    # qemu stands still in the reset until it has an answer to what it asked the block server.
    until = time.monotonic() + 60
    while machine.console_lines("hard resetting link") == resets:
        must("the kernel resets the drive within a minute", time.monotonic() < until)
        time.sleep(0.1)
    drive.answer_again()
    drive.release()
    copy = end_of_copy(machine, case, 120, 0)
    must_be_complete(machine, drive, case, copy)
    requests = requests_of(machine.output(f"cat {case}.csv"))
    failed = [request for request in requests if request[2] != "read"]
    must_be_counted(copy, requests, failed)
    must(f"the copy counts the resets: {copy['resets']}", copy["resets"] >= 1)
    must(f"one or more requests failed, after 7 to 20 s each: {failed}", failed and all(7 <= seconds < 20 for *_, seconds in failed))
    return f"{len(failed)} failed requests, {failed[0][3]:.1f} s each; every byte safe"


def silent_for_good(machine, drive):
    """A drive that the kernel takes offline ends the copy and leaves nothing unreadable; put back to work, it is read to the end."""
    case = f"/tmp/{drive.name}"
    device, _ = prepare(machine, drive, case)
    # Shorter than usual: what matters is that the kernel waits, resets, and takes the drive offline.
    machine.run(f"echo 1 | tee /sys/block/{device}/device/timeout /sys/block/{device}/device/eh_timeout")
    machine.run(f"echo 1 >$(ls -d /sys/block/{device}/device/../../scsi_host/host*)/eh_deadline")
    drive.fall_silent(machine)
    start_copy(machine, case, device)
    copy = end_of_copy(machine, case, 120, 4)
    must_be("unreadable bytes", of_classes(copy, "unreadable"), 0)
    must_be("state of the device", machine.output(f"cat /sys/block/{device}/device/state"), "offline")
    drive.answer_again(machine)
    machine.run(f"echo running >/sys/block/{device}/device/state")
    start_copy(machine, case, device)
    must_be_complete(machine, drive, case, end_of_copy(machine, case, 120, 10))
    return f"offline after {copy['seconds']:.0f} s; back in state `running` every byte was read"


def start_slowly(machine, drive, case, device, options=""):
    """Starts a copy, slow enough to be met in the middle, and waits until some of it is done."""
    drive.fall_silent(0.1)
    before, until = drive.commands(machine)[2], time.monotonic() + 60
    start_copy(machine, case, device, options)
    while drive.commands(machine)[2] < before + 4_000_000:
        must_run(machine, case)
        must("4 MB arrive within a minute", time.monotonic() < until)
        time.sleep(0.1)


def pull_the_plug(machine, drive, device):
    """Unplugs the drive. Another program keeps the old device open, so its name stays taken."""
    machine.run(f"sleep 1000 </dev/{device} >/dev/null 2>&1 &")
    drive.unplug(machine)
    machine.wait_for(f"[ ! -e /sys/block/{device} ]", 30)


def plug_in(machine, drive, former):
    drive.plug(machine)
    device = drive.device(machine)
    must(f"the drive comes back under another name than {former}", device != former)
    return device


def pulled_plug(machine, drive):
    """A pulled plug ends the copy; with the new name the same command goes on; nothing is unreadable, nothing is lost."""
    case = f"/tmp/{drive.name}"
    first, _ = prepare(machine, drive, case)
    start_slowly(machine, drive, case, first)
    pull_the_plug(machine, drive, first)
    copy = end_of_copy(machine, case, 60, 4)
    must_be("unreadable bytes", of_classes(copy, "unreadable"), 0)
    second = plug_in(machine, drive, first)
    drive.answer_again()
    start_copy(machine, case, second)
    must_be_complete(machine, drive, case, end_of_copy(machine, case, 60, 0))
    return f"{first} came back as {second}"


def pulled_plug_waiting(machine, drive):
    """With `--wait` a copy goes on by itself when the drive comes back under another name."""
    case = f"/tmp/{drive.name}"
    first, _ = prepare(machine, drive, case)
    start_slowly(machine, drive, case, first, "--wait")
    pull_the_plug(machine, drive, first)
    second = plug_in(machine, drive, first)
    drive.answer_again()
    must_be_complete(machine, drive, case, end_of_copy(machine, case, 120, 0))
    return f"{first} came back as {second}"


def serial_number(machine, drive):
    """The serial number is known whatever the drive hangs on."""
    device = drive.device(machine)
    survey = machine.gleaner(f"survey /dev/{device} --quiet")
    must_be("serial number", survey["source"]["serial"], drive.serial)
    return drive.serial


def listed(machine, drive, bus):
    """`gleaner drives` tells it by its serial number, and sends it no command."""
    device = drive.device(machine)
    before = drive.commands(machine)
    drives = {found["path"]: found for found in machine.gleaner("drives /tmp")}
    must_be("commands", drive.commands(machine), before)
    found = drives[f"/dev/{device}"]
    expected = {"bytes": drive.size, "serial": drive.serial, "bus": bus, "logical_sector": drive.sector, "uses": []}
    must_be("what is listed", {name: found[name] for name in expected}, expected)
    return f"{device} is {drive.serial}"


def handed_over(machine, drive, target):
    """A case goes onto another drive, known by its serial number; the client's own drive is refused under any number."""
    case = f"/tmp/{drive.name}-given"
    prepare(machine, drive, case)
    machine.run(f"gleaner copy --case {case} --json --quiet /dev/{drive.device(machine)}", ends_with=None)
    onto = f"gleaner hand-over --case {case} --json --quiet --checksums {case}.sha256"
    for of, number in [(drive, drive.serial), (drive, target.serial), (target, drive.serial)]:
        machine.run(f"{onto} --onto /dev/{of.device(machine)} --serial {number} --overwrite", ends_with=5)
    must_be("writes to the client's drive", drive.commands(machine)[1], 0)
    must_be("writes to the target", target.commands(machine)[1], 0)
    answer = machine.run(f"{onto} --onto /dev/{target.device(machine)} --serial {target.serial}", ends_with=10)
    written = json.loads(answer.output.splitlines()[-1])["written"]
    must_be("the checksum", written["sha256"], machine.output(f"sha256sum {case}/image.raw").split()[0])
    must_be("the checksum of what the emulator has of it", target.sha256_of(drive.size), written["sha256"])
    return f"{written['bytes']} bytes onto {target.serial}"


def settings(machine, drive, attached, sensor=False, written=0):
    """The survey says how the kernel is set, and the commands that it gives do what they are for.

    `written` are bytes that were written to the drive since it is there.
    """
    device = drive.device(machine)

    def kernel():
        return machine.gleaner(f"survey /dev/{device} --quiet")["kernel"]

    # Anybody may write into the log: what did not come from the kernel is not believed.
    machine.run("for n in 1 2 3 4 5 6; do echo \"ata$n.00: HPA detected: current 100, native 200\" >/dev/kmsg; done")
    facts = kernel()
    most = int(machine.output(f"cat /sys/block/{device}/queue/max_sectors_kb")) * 1024
    expected = {
        "device": device, "attached": attached, "command_seconds": 30.0, "retries": 5, "longest_command_bytes": most, "read_only": False,
        "hidden_area": None, "sensor": sensor, "automounters": [],
    }
    must_be("what the kernel is said to be set to", {name: facts[name] for name in expected}, expected)
    must_be("bytes written", facts["written"]["bytes"], written)
    commands = [command for advice in facts["advice"] for command in advice["commands"] if not command.startswith("modprobe")]
    must_be("number of commands", len(commands), 3)
    for command in commands:
        machine.run(command)
    expected.update(command_seconds=10.0, retries=0, read_only=True)
    facts = kernel()
    must_be("what it is set to after the commands", {name: facts[name] for name in expected}, expected)
    machine.run(f"dd if=/dev/zero of=$(ls /dev/{device}?* | head -1) count=1", ends_with=1)
    return f"{len(commands)} commands do what they are for"
