#!/usr/bin/env python3
"""Runs every command of Sited. On a machine with nothing but Python it first makes .venv from hash-pinned locks.

Outside any virtual environment a command makes .venv beside this file, once, and goes on with its Python. Inside
somebody's own environment nothing is made. This file keeps to syntax that Python 2.7 and 3.4 can read, so that an old
Python gets one clear line and not a syntax error.
"""

from __future__ import print_function

import os
import sys

HERE = os.path.dirname(os.path.abspath(__file__))
VENV = os.path.join(HERE, ".venv")
PYTHON = os.path.join(VENV, "Scripts", "python.exe") if os.name == "nt" else os.path.join(VENV, "bin", "python")
# Its lines name the Python and the locks that .venv was made from. It is written last; until then it says UNFINISHED.
STAMP = os.path.join(VENV, "sited-stamp")
UNFINISHED = "unfinished"
LOG = VENV + ".log"
PLAIN = ("requirements.lock",)
# The second lock holds all of the first.
WITH_TESTS = ("requirements.lock", "requirements-test.lock")


def main():
    if sys.version_info < (3, 11):
        found = ".".join(str(number) for number in sys.version_info[:3])
        stop("Sited needs Python 3.11 or newer; %s is Python %s." % (sys.executable, found))
    command = sys.argv[1] if len(sys.argv) > 1 else ""
    if sys.prefix == sys.base_prefix:
        locks = WITH_TESTS if command == "test" else PLAIN
        try:
            if not is_made(locks):
                make(locks)
        except OSError as error:
            stop(".venv could not be made: %s" % error)
        except KeyboardInterrupt:
            say("Interrupted: the next call makes .venv anew.")
            sys.exit(130)
        hand_over([PYTHON] + sys.orig_argv[1:])
    elif command == "test":
        run_tests(sys.argv[2:])
    else:
        run_command(command)


def run_tests(arguments):
    need("pytest", "requirements-test.lock")
    # The tests have a posture of their own, and give each subprocess the one that it is to have.
    os.environ.pop("SITED_ENV", None)
    os.chdir(HERE)
    hand_over([sys.executable, "-m", "pytest"] + arguments)


def run_command(command):
    need("django", "requirements.lock")
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    os.environ.setdefault("SITED_ENV", "demo" if command == "demo" else "local")
    from django.conf import settings
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        settings.INSTALLED_APPS  # noqa: B018 - reading it loads the settings
    except ImproperlyConfigured as error:
        stop(str(error))
    execute_from_command_line(sys.argv)


def need(package, lock):
    import importlib.util

    if importlib.util.find_spec(package) is None:
        stop(
            "%s is not in the environment %s: install %s into it, or leave it and call again."
            % (package, sys.prefix, lock)
        )


def is_made(locks):
    stamp = read_stamp()
    return os.path.exists(PYTHON) and all(line in stamp for line in stamp_lines(locks))


def read_stamp():
    try:
        with open(STAMP) as handle:
            return handle.read().splitlines()
    except OSError:
        return []


def write_stamp(lines):
    with open(STAMP + ".new", "w") as handle:
        handle.write("\n".join(lines) + "\n")
    os.replace(STAMP + ".new", STAMP)


def stamp_lines(locks):
    import hashlib

    lines = ["python " + sys.implementation.cache_tag]
    for lock in locks:
        with open(os.path.join(HERE, lock), "rb") as handle:
            lines.append("%s %s" % (lock, hashlib.sha256(handle.read()).hexdigest()))
    return lines


def make(locks):
    """Make .venv, or add the second lock to what the first one made. Another call that comes meanwhile waits."""
    import shutil

    with Turn() as held:
        if is_made(locks):
            return
        grow = is_made(PLAIN)
        if not grow:
            if os.path.lexists(VENV) and not is_ours():
                stop("%s was not made by manage.py: activate it, or remove it and call again." % VENV)
            require_venv_module()
        say("Making .venv from %s: once, about a minute." % locks[-1])
        if not grow:
            # Renamed first, so that a removal cut short leaves nothing that looks like somebody's own.
            shutil.rmtree(VENV + ".old", ignore_errors=True)
            if os.path.lexists(VENV):
                os.rename(VENV, VENV + ".old")
                shutil.rmtree(VENV + ".old", ignore_errors=True)
            os.mkdir(VENV)
        write_stamp([UNFINISHED])
        if not grow:
            call([sys.executable, "-I", "-m", "venv", VENV], held)
        options = ["--quiet", "--disable-pip-version-check", "--no-input"]
        options += ["--require-hashes", "--only-binary", ":all:", "--no-deps"]
        requirements = os.path.join(HERE, locks[-1])
        call([PYTHON, "-I", "-m", "pip", "install"] + options + ["-r", requirements], held)
        write_stamp(stamp_lines(locks))


def is_ours():
    """Whether .venv is of our making, whole or not: it holds our stamp, or nothing yet."""
    return not os.path.islink(VENV) and os.path.isdir(VENV) and (os.path.exists(STAMP) or not os.listdir(VENV))


def require_venv_module():
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError as error:
        stop(
            "This Python has no module %s: install it (on Debian and Ubuntu the package python3-venv) and call again."
            % error.name
        )


class Turn:
    """Holds the right to make .venv; whoever comes second says so and waits."""

    def __enter__(self):
        self.handle = open(VENV + ".lock", "a")
        if not self.taken(False):
            say("Another call is making .venv: waiting for it.")
            while not self.taken(True):
                pass
        return self.handle

    def taken(self, wait):
        try:
            if os.name == "nt":
                import msvcrt

                self.handle.seek(0)
                msvcrt.locking(self.handle.fileno(), msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)
            else:
                import fcntl

                fcntl.flock(self.handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except OSError as error:
            import errno

            if error.errno not in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
                raise
            return False
        return True

    def __exit__(self, *exception):
        self.handle.close()


def call(arguments, held):
    """Run one step of the making, its output in the log. It inherits the lock, so that it never outlives its turn."""
    import subprocess

    # Whatever pip is told elsewhere about index and proxy holds; where it installs is ours to say.
    environment = {name: value for name, value in os.environ.items() if name not in ("PIP_TARGET", "PIP_PREFIX")}
    environment["PIP_USER"] = "0"
    inherited = {} if os.name == "nt" else {"pass_fds": [held.fileno()]}
    with open(LOG, "w") as log:
        code = subprocess.call(
            arguments, stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT, env=environment, **inherited
        )
    if code:
        stop(".venv could not be made: %s (all of it in %s)" % (reason_in_log(), LOG))


def reason_in_log():
    with open(LOG, errors="replace") as log:
        text = log.read()
    if "DO NOT MATCH THE HASHES" in text:
        return "a package is not the one that the lock names by its hash."
    if "from versions: none" in text or "ConnectionError" in text or "Timeout" in text:
        return "no package index answers, or none has what the lock names: is there a network?"
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    errors = [line[len("ERROR:") :].strip() for line in lines if line.startswith("ERROR:")]
    return (errors or lines or ["no reason given"])[-1]


def hand_over(arguments):
    """Become this program: its exit status and its signals are then ours."""
    if os.name == "nt":
        import signal
        import subprocess

        signal.signal(signal.SIGINT, signal.SIG_IGN)
        sys.exit(subprocess.call(arguments))
    sys.stdout.flush()
    os.execv(arguments[0], arguments)


def say(line):
    print(line, file=sys.stderr)
    sys.stderr.flush()


def stop(line):
    say("manage.py: " + line)
    sys.exit(2)


if __name__ == "__main__":
    main()
