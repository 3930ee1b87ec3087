"""The bytes of the drives: images from `testdata`, with the areas outside their volumes filled."""

import json
import os
import subprocess

HERE = os.path.dirname(os.path.abspath(__file__))
TESTDATA = os.path.join(os.path.dirname(os.path.dirname(HERE)), "testdata")


class Fixture:
    """A drive of `testdata`. Each sector outside its volumes names its own number, so that one in a wrong place shows."""

    def __init__(self, name):
        self.content = bytearray(subprocess.run(["zstd", "-dc", self._path(name, "img.zst")], check=True, stdout=subprocess.PIPE).stdout)
        with open(self._path(name, "table.json")) as file:
            table = json.load(file)["partitiontable"]
        answers = subprocess.run(["zstd", "-dc", self._path(name, "answers.json.zst")], check=True, stdout=subprocess.PIPE).stdout
        self.volumes = json.loads(answers)["volumes"]
        self.sector = table["sectorsize"]
        at = table["firstlba"]
        for partition in table["partitions"] + [{"start": table["lastlba"] + 1, "size": 0}]:
            for number in range(at, partition["start"]):
                self.content[number * self.sector:(number + 1) * self.sector] = number.to_bytes(8, "little") * (self.sector // 8)
            at = partition["start"] + partition["size"]

    @staticmethod
    def _path(name, ending):
        return os.path.join(TESTDATA, f"{name}.{ending}")

    def save(self, path):
        with open(path, "wb") as file:
            file.write(self.content)
        return path

    def first_sector_of(self, path):
        """The sector of the drive where a file's content begins."""
        for volume in self.volumes:
            for file in volume["files"]:
                if file["path"] == path and file["extents"]:
                    return (volume["volume_start"] + file["extents"][0][0]) // self.sector
        raise KeyError(path)

    def files_with(self, sectors):
        """The existing files that have content in one of these sectors of the drive, as a reference parser sees them."""
        found = set()
        for volume in self.volumes:
            for file in volume["files"]:
                for start, length in file["extents"] if not file["deleted"] else []:
                    first = volume["volume_start"] + start
                    if any(first < (sector + 1) * self.sector and sector * self.sector < first + length for sector in sectors):
                        found.add(file["path"])
        return found
