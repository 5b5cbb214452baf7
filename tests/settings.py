"""Settings of the test run: the register's own, with its data in a folder that goes away afterwards."""

import atexit
import os
import shutil
import tempfile

# Set before the register's settings are read, so that no test ever touches a real register's data.
os.environ["REGISTER_DATA"] = tempfile.mkdtemp(prefix="register-tests-")
atexit.register(shutil.rmtree, os.environ["REGISTER_DATA"], ignore_errors=True)

from competence.settings import *  # noqa: E402, F403
from competence.settings import DATA_DIR, DATABASES, INSTALLED_APPS, MIDDLEWARE  # noqa: E402

# Argon2 is slow on purpose; what it protects is not what the tests are about.
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
# A change never starts a sealing: tests that are about sealing say when.
JOURNAL_SEAL_SECONDS = -1
# Another process would not see the test's transaction.
WORK_IN_THIS_PROCESS = True

STATIC_ROOT = DATA_DIR / "static"
STATIC_ROOT.mkdir()
# Every test client starts the middleware anew, which would read and list each static file of every app: two
# thirds of what a request costs. A file is looked for when it is asked for instead.
WHITENOISE_AUTOREFRESH = True

DATABASES["default"]["CONN_MAX_AGE"] = 0
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # A file, not memory: the live server's threads need connections of their own, as in real use.
    # Its tables are made from the models: running the migrations takes longer with each that is added.
    # tests/models/test_migrated_tables.py holds the two equal; the run on PostgreSQL is on migrated tables.
    DATABASES["default"]["TEST"] = {"NAME": str(DATA_DIR / "test.sqlite3"), "MIGRATE": False}
    DATABASES["default"]["OPTIONS"] = {
        **DATABASES["default"]["OPTIONS"],
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=OFF; PRAGMA foreign_keys=ON;",
    }

# A page that reads the database row by row fails its test (zeal counts reads from one line of code).
INSTALLED_APPS = [*INSTALLED_APPS, "zeal"]
MIDDLEWARE = ["zeal.middleware.zeal_middleware", *MIDDLEWARE]
ZEAL_RAISE = True
