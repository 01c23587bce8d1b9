"""What the workers of a cluster must have in common with this process, asked before they get any work."""

import sys
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from secrets import token_hex
from tempfile import TemporaryFile
from typing import Any

from reliability.commands.shared import written_to
from reliability.errors import InvalidInput
from reliability.report.digests import PACKAGE, digest

# Those that could move a digit or a line of a picture from one version to the next.
_LIBRARIES = ("jinja2", "matplotlib", "nbconvert", "numpy", "pandas", "papermill", "scipy")


@dataclass(frozen=True)
class Common:
    """What every worker must find as it is here.

    Parameters
    ----------
    code : str
        Checkout, Python and libraries, as `code_here` tells them.
    files : mapping of Path to str
        Absolute path -> SHA-256 of the content.
    folder : Path or None
        Absolute path of the folder that workers write to.
    probe : str
        Name of a file that was put there a moment ago.
    """

    code: str
    files: Mapping[Path, str]
    folder: Path | None = None
    probe: str = ""

    def faults(self) -> list[str]:
        """Tell what differs where this runs; one text for each, none if all is well."""
        said = [] if code_here() == self.code else ["runs another checkout, or other libraries"]
        for path, content in self.files.items():
            try:
                is_same = sha256(path.read_bytes()).hexdigest() == content
            except OSError:
                is_same = False
            if not is_same:
                said.append(f"does not see {path} as it is here")
        return said + self._faults_of_folder()

    def _faults_of_folder(self) -> list[str]:
        if self.folder is None:
            return []
        if not (self.folder / self.probe).exists():
            return [f"does not see the folder {self.folder} of this machine"]
        try:
            with TemporaryFile(dir=self.folder):
                return []
        except OSError as error:
            return [f"cannot write to {self.folder} ({error.strerror or error})"]


@cache
def code_here() -> str:
    """Give a checksum of what computes in this process.

    Kept from the first call on: a process that goes on computes with the code that it loaded, whatever
    became of the files since.
    """
    libraries = [sys.version, *(f"{each} {version(each)}" for each in _LIBRARIES)]
    code = digest(PACKAGE, "**/*.py", "report/templates/**/*")
    return sha256("\0".join([code, *libraries]).encode()).hexdigest()


def check_workers(client: Any, cluster: str, files: Collection[Path], folder: Path | None) -> None:
    """Ask all workers whether they see and run what this process sees and runs.

    Parameters
    ----------
    client : distributed.Client
    cluster : str
        Its address, for the message.
    files : collection of Path
        What they will read. One that is missing here is left to whoever reads it.
    folder : Path or None
        Where they will write; made if it is not there.

    Raises
    ------
    InvalidInput
        If a worker does not; one line for each, with its address.
    """
    contents = {path.absolute(): sha256(path.read_bytes()).hexdigest() for path in files if path.is_file()}
    with _probed(folder) as probe:
        common = Common(code_here(), contents, folder and folder.absolute(), probe)
        told = client.run(common.faults, on_error="return")
    faults = [f"{worker}: {_worded(said)}" for worker, said in sorted(told.items()) if said]
    if faults:
        raise InvalidInput(
            f"{len(faults)} of {len(told)} workers of {cluster} cannot do this work: each must see the same "
            "folders at the same paths and run the same checkout. Nothing was written. Mount the folders "
            "there, too, or start these workers from this checkout, and anew when it has changed.",
            faults,
        )


def _worded(said: list[str] | Exception) -> str:
    # An answer that its worker could not even load comes back as a bare one, with the cause as its text.
    if isinstance(said, Exception):
        return f"could not be asked: {said if type(said) is Exception else repr(said)}"
    return "; ".join(said)


@contextmanager
def _probed(folder: Path | None) -> Iterator[str]:
    """Put a file of a new name into the folder: only who sees this very folder can find it."""
    if folder is None:
        yield ""
        return
    probe = folder / f".seen-{token_hex(8)}"
    with written_to(folder):
        folder.mkdir(parents=True, exist_ok=True)
        probe.touch()
    try:
        yield probe.name
    finally:
        probe.unlink()
