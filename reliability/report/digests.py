"""Checksums of files: whether the code or the look of the pages has changed."""

from hashlib import sha256
from pathlib import Path

PACKAGE = Path(__file__).parents[1]


def digest(folder: Path, *patterns: str) -> str:
    """Digest names and contents of the files in a folder that match.

    Parameters
    ----------
    folder : Path
        Where to look.
    *patterns : str
        As for `Path.glob`.

    Returns
    -------
    str
        SHA-256, hexadecimal.
    """
    paths = sorted({path for pattern in patterns for path in folder.glob(pattern) if path.is_file()})
    whole = sha256()
    for path in paths:
        content = path.read_bytes()
        whole.update(f"{path.relative_to(folder).as_posix()}\0{len(content)}\0".encode() + content)
    return whole.hexdigest()
