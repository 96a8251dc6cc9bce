"""An installed wheel works from any folder: templates, styles, migrations and firmware travel in it."""

import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow
ROOT = Path(__file__).parents[2]
SCRIPT = """
import sys
from pathlib import Path
import tareline
assert Path(tareline.__file__).is_relative_to(sys.prefix), tareline.__file__
from tareline.clock import SystemClock
from tareline.resources import dashboards_dir, load_firmware
from tareline.service import Service
from tareline.settings import Settings
from tareline.web.app import make_app
from tareline.web.events import Hub
service = Service(Settings.model_validate({"store": {"url": "sqlite:///here.db"}}), SystemClock())
make_app(service, Hub())
assert (dashboards_dir() / "templates" / "week.html").is_file()
assert load_firmware("feeder").Feeder
service.stop()
print("works")
"""


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(ROOT)]
    subprocess.run(command, check=True, capture_output=True)
    (made,) = out.glob("*.whl")
    return made


def test_the_wheel_holds_what_is_read_at_run_time(wheel: Path) -> None:
    held = set(zipfile.ZipFile(wheel).namelist())
    for folder, inside in (("dashboards", "tareline/dashboards"), ("firmware", "tareline/firmware")):
        for path in (ROOT / folder).rglob("*"):
            if path.is_file() and "__pycache__" not in path.parts:
                assert f"{inside}/{path.relative_to(ROOT / folder)}" in held
    assert any(name.startswith("tareline/store/migrations/versions/v0001") for name in held)
    assert not any(name.startswith("tests/") for name in held)


def test_an_installed_wheel_works_from_any_folder(wheel: Path, tmp_path: Path) -> None:
    # The dependencies are this environment's: what is tested is where the wheel's own files are found.
    home = tmp_path / "env"
    venv.create(home, with_pip=False, symlinks=True)
    (site,) = home.glob("lib/python*/site-packages")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    others = [path for path in sys.path if path.endswith("site-packages")]
    (site / "others.pth").write_text("\n".join(others) + "\n")
    command = [str(home / "bin" / "python"), "-c", SCRIPT]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "works"
