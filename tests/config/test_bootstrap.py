"""manage.py on a bare machine, with tiny packages of our own in place of the real ones and the real venv and pip."""

import ast
import base64
import hashlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OUTSIDE = getattr(sys, "_base_executable", sys.executable)

DJANGO = {
    "django/__init__.py": "",
    "django/conf.py": "class settings: INSTALLED_APPS = []",
    "django/core/__init__.py": "",
    "django/core/exceptions.py": "class ImproperlyConfigured(Exception): pass",
    "django/core/management.py": """
import json, os, sys, time
def execute_from_command_line(argv):
    print(json.dumps({"argv": argv[1:], "prefix": sys.prefix, "posture": os.environ["SITED_ENV"]}), flush=True)
    if "sleep" in argv:
        time.sleep(60)
    sys.exit(int(argv[-1]) if argv[-1].isdigit() else 0)
""",
}
PYTEST = {
    "pytest/__init__.py": "",
    "pytest/__main__.py": "import json, os, sys\nprint(json.dumps({'argv': sys.argv[1:], 'cwd': os.getcwd()}))",
}


def wheel(folder: Path, name: str, files: dict[str, str]) -> str:
    """Write a wheel, and return its line for a lock."""
    info = f"{name}-0.1.dist-info"
    files = files | {
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: 0.1\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    record = ""
    for path, text in files.items():
        digest = base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b"=").decode()
        record += f"{path},sha256={digest},{len(text.encode())}\n"
    target = folder / f"{name}-0.1-py3-none-any.whl"
    with zipfile.ZipFile(target, "w") as archive:
        for path, text in (files | {f"{info}/RECORD": f"{record}{info}/RECORD,,\n"}).items():
            archive.writestr(path, text)
    return f"{name}==0.1 --hash=sha256:{hashlib.sha256(target.read_bytes()).hexdigest()}\n"


class Clone:
    """A folder with manage.py and two locks, as a fresh clone would hold them."""

    def __init__(self, folder: Path, wheels: Path) -> None:
        self.folder, self.wheels = folder, wheels

    def environment(self, **more: str) -> dict[str, str]:
        kept = {name: value for name, value in os.environ.items() if not name.startswith(("PIP_", "SITED_"))}
        pip = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": self.wheels.as_uri(), "PIP_CONFIG_FILE": os.devnull}
        return kept | pip | more

    def start(self, *arguments: str, **more: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [OUTSIDE, "manage.py", *arguments],
            cwd=self.folder,
            env=self.environment(**more),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def run(self, *arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
        process = self.start(*arguments, **more)
        out, err = process.communicate(timeout=400)
        return subprocess.CompletedProcess(arguments, process.returncode, out, err)

    def run_script(self, before: str, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run manage.py outside of any environment, after some lines that change what Python knows of itself."""
        script = f"import runpy, sys\n{before}\nsys.argv = {['manage.py', *arguments]}\n"
        return subprocess.run(
            [OUTSIDE, "-c", script + "runpy.run_path('manage.py', run_name='__main__')"],
            cwd=self.folder,
            env=self.environment(),
            capture_output=True,
            text=True,
            check=False,
        )

    def wait_until_begun(self) -> None:
        until = time.monotonic() + 60
        while not (self.folder / ".venv" / "sited-stamp").exists():
            assert time.monotonic() < until, "the making has not begun"
            time.sleep(0.01)

    @property
    def stamp(self) -> str:
        return (self.folder / ".venv" / "sited-stamp").read_text()

    @property
    def left(self) -> Path:
        """A file in .venv that stays as long as .venv is not made anew."""
        return self.folder / ".venv" / "left-here"


def one_line(result: subprocess.CompletedProcess[str]) -> str:
    """What a call that stops says: one line of its own, after the one that announces the making."""
    lines = [line for line in result.stderr.splitlines() if not line.startswith("Making .venv")]
    assert result.returncode == 2, result.stderr
    assert result.stdout == ""
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("manage.py: ")
    return lines[0]


@pytest.fixture(scope="module")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheels")
    (folder / "plain").write_text(wheel(folder, "django", DJANGO))
    (folder / "test").write_text(wheel(folder, "pytest", PYTEST))
    return folder


def fill(folder: Path, wheels: Path) -> Clone:
    shutil.copy(ROOT / "manage.py", folder)
    plain = (wheels / "plain").read_text()
    (folder / "requirements.lock").write_text(plain)
    (folder / "requirements-test.lock").write_text(plain + (wheels / "test").read_text())
    return Clone(folder, wheels)


@pytest.fixture
def bare(tmp_path: Path, wheels: Path) -> Clone:
    """Nothing but Python; the folder has a space in its name."""
    folder = tmp_path / "a bare clone"
    folder.mkdir()
    return fill(folder, wheels)


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory, wheels: Path) -> tuple[Clone, subprocess.CompletedProcess[str]]:
    clone = fill(tmp_path_factory.mktemp("made in a folder"), wheels)
    return clone, clone.run("greet", "two words", "--flag", "7")


@pytest.fixture
def made(tmp_path: Path, first: tuple[Clone, subprocess.CompletedProcess[str]]) -> Clone:
    """A clone in which one command has run."""
    folder = tmp_path / "a made clone"
    shutil.copytree(first[0].folder, folder, symlinks=True)
    clone = Clone(folder, first[0].wheels)
    clone.left.touch()
    return clone


def test_the_first_command_makes_the_environment_and_runs_in_it(
    first: tuple[Clone, subprocess.CompletedProcess[str]],
) -> None:
    clone, result = first
    said = json.loads(result.stdout)
    assert said["argv"] == ["greet", "two words", "--flag", "7"]
    assert Path(said["prefix"]) == clone.folder / ".venv"
    assert said["posture"] == "local"
    assert result.returncode == 7
    assert result.stderr == "Making .venv from requirements.lock: once, about a minute.\n"
    digest = hashlib.sha256((clone.folder / "requirements.lock").read_bytes()).hexdigest()
    assert clone.stamp == f"python {sys.implementation.cache_tag}\nrequirements.lock {digest}\n"


def test_a_second_call_makes_nothing(made: Clone) -> None:
    result = made.run("demo", PIP_FIND_LINKS="", PATH="")
    assert (result.returncode, result.stderr) == (0, "")
    assert json.loads(result.stdout)["posture"] == "demo"
    assert made.left.exists()


def test_a_signal_ends_the_command_itself(made: Clone) -> None:
    process = made.start("sleep")
    assert process.stdout
    assert process.stdout.readline()
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=120)
    assert process.returncode == -signal.SIGTERM


def test_the_tests_lock_is_added_to_what_is_there_and_then_serves_both(made: Clone) -> None:
    result = made.run("test", "-k", "a and b", "tests/x.py")
    assert json.loads(result.stdout) == {"argv": ["-k", "a and b", "tests/x.py"], "cwd": str(made.folder)}
    assert result.stderr == "Making .venv from requirements-test.lock: once, about a minute.\n"
    assert made.left.exists()
    assert made.run("greet").stderr == made.run("test").stderr == ""


def test_a_changed_lock_or_another_python_makes_it_anew(made: Clone) -> None:
    stamp = made.folder / ".venv" / "sited-stamp"
    stamp.write_text(stamp.read_text().replace(sys.implementation.cache_tag, "cpython-399"))
    assert "Making .venv" in made.run("greet").stderr
    assert not made.left.exists()
    made.left.touch()
    with (made.folder / "requirements.lock").open("a") as lock:
        lock.write("# changed\n")
    assert "Making .venv" in made.run("greet").stderr
    assert not made.left.exists()


def test_a_second_call_waits_for_the_first(bare: Clone) -> None:
    one = bare.start("greet", "one")
    bare.wait_until_begun()
    two = bare.run("greet", "two")
    out, err = one.communicate(timeout=400)
    assert (one.returncode, json.loads(out)["argv"]) == (0, ["greet", "one"]), err
    assert two.stderr == "Another call is making .venv: waiting for it.\n"
    assert json.loads(two.stdout)["argv"] == ["greet", "two"]


def test_a_making_that_was_killed_is_made_anew_once_its_last_step_has_ended(bare: Clone) -> None:
    killed = bare.start("greet")
    bare.wait_until_begun()
    killed.kill()
    killed.wait()
    assert bare.stamp == "unfinished\n"
    bare.left.touch()
    result = bare.run("greet", "again")
    assert json.loads(result.stdout)["argv"] == ["greet", "again"]
    # The step that was running outlived its parent and still held the lock.
    assert "waiting" in result.stderr
    assert not bare.left.exists()


def test_a_package_with_another_hash_and_a_dead_network_stop_it_with_one_line(bare: Clone) -> None:
    lock = bare.folder / "requirements.lock"
    lock.write_text(re.sub("sha256:....", "sha256:0000", lock.read_text()))
    assert "not the one that the lock names by its hash" in one_line(bare.run("greet"))
    assert bare.stamp == "unfinished\n"
    dead = {"PIP_NO_INDEX": "0", "PIP_INDEX_URL": "http://127.0.0.1:9/simple", "PIP_RETRIES": "1", "PIP_FIND_LINKS": ""}
    assert "no package index answers" in one_line(bare.run("greet", **dead))


def test_inside_somebodys_environment_nothing_is_made(bare: Clone, tmp_path: Path) -> None:
    subprocess.run([OUTSIDE, "-m", "venv", "--without-pip", tmp_path / "theirs"], check=True)
    for command, lacking in (("greet", "django"), ("test", "pytest")):
        result = subprocess.run(
            [tmp_path / "theirs" / "bin" / "python", "manage.py", command],
            cwd=bare.folder,
            capture_output=True,
            text=True,
            check=False,
        )
        assert f"{lacking} is not in the environment {tmp_path / 'theirs'}" in one_line(result)
    assert not list(bare.folder.glob(".venv*"))


def test_a_venv_that_we_did_not_make_is_left_alone(bare: Clone) -> None:
    bare.left.parent.mkdir()
    bare.left.touch()
    assert "was not made by manage.py" in one_line(bare.run("greet"))
    assert bare.left.exists()


def test_without_a_venv_module_it_says_what_to_install(bare: Clone) -> None:
    assert "python3-venv" in one_line(bare.run_script("sys.modules['ensurepip'] = None", "greet"))
    assert not (bare.folder / ".venv").exists()


def test_an_old_python_gets_one_clear_line(bare: Clone) -> None:
    said = one_line(bare.run_script("sys.version_info = (3, 8, 18, 'final', 0)", "greet"))
    assert said.startswith("manage.py: Sited needs Python 3.11 or newer;")
    assert said.endswith("is Python 3.8.18.")


def test_manage_py_keeps_to_syntax_that_old_pythons_read() -> None:
    # Tried by hand with the interpreters 2.7.18 and 3.6 to 3.10; here by what their grammars lack.
    tree = ast.parse((ROOT / "manage.py").read_bytes().decode("ascii"), feature_version=(3, 4))
    too_new = (
        ast.JoinedStr,
        ast.NamedExpr,
        ast.AnnAssign,
        ast.AsyncFunctionDef,
        ast.Nonlocal,
        ast.YieldFrom,
        ast.Starred,
    )
    assert [node for node in ast.walk(tree) if isinstance(node, too_new)] == []
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            named = [*node.args.args, *node.args.posonlyargs]
            assert [node.args.kwonlyargs, node.returns] == [[], None]
            assert not any(each.annotation for each in named)
        assert not (isinstance(node, ast.Raise) and node.cause)
        assert not (isinstance(node, ast.ClassDef) and node.keywords)


def requirements(name: str) -> dict[str, list[str]]:
    """The locked requirements by name and version, each with its hashes."""
    text = (ROOT / name).read_text().replace("\\\n", " ")
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        requirement, *hashes = re.split(r"\s+--hash=", line.strip())
        found[requirement] = hashes
    return found


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-test.lock"])
def test_each_lock_pins_every_package_by_hash_and_names_no_address(name: str) -> None:
    assert "//" not in (ROOT / name).read_text()
    for requirement, hashes in requirements(name).items():
        assert re.match(r"[a-z0-9-]+(\[[a-z,]+\])?==[0-9][^ ]*( ;.*)?$", requirement), requirement
        assert hashes
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", each) for each in hashes)


def test_the_second_lock_holds_all_of_the_first() -> None:
    # Without markers: the tests may want a package on a Python where the rest does not.
    first, both = (
        {(line.partition(" ;")[0], *hashes) for line, hashes in requirements(name).items()}
        for name in ("requirements.lock", "requirements-test.lock")
    )
    assert first - both == set()
