import inspect
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import reliability

ROOT = Path(__file__).parents[1]
PUBLIC = [
    "BenchoddsError",
    "LifeRecords",
    "fit_appraiser",
    "fit_curve",
    "weibull_fits",
    "judge",
    "load_package_records",
    "make_pages",
    "observe",
    "open_ledger",
    "pool",
    "ranking",
    "read_offers",
    "read_records",
]


def test_the_public_names_are_these():
    assert sorted(reliability.__all__) == PUBLIC
    assert dir(reliability) == sorted([*PUBLIC, "__version__"])


@pytest.mark.parametrize("name", PUBLIC)
def test_each_can_be_imported_and_is_described(name):
    value = getattr(reliability, name)
    assert value.__name__ == name
    assert inspect.getdoc(value)


def test_the_package_itself_loads_nothing():
    loaded = "sorted(name for name in sys.modules if name.startswith(('reliability.', 'numpy')))"
    code = f"import sys, reliability; print({loaded})"
    out = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_other_names_are_refused():
    with pytest.raises(AttributeError, match="module 'reliability' has no attribute 'fit_weibul'"):
        reliability.fit_weibul  # noqa: B018
    with pytest.raises(ImportError, match="cannot import name 'odds'"):
        from reliability import odds  # noqa: F401


def test_the_version_is_that_of_the_distribution():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert reliability.__version__ == project["version"]
