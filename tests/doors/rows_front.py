from tests.doors.matrix import EVERYBODY, Row

ROWS = [
    Row("home", EVERYBODY),
    Row("sign-in", EVERYBODY, is_public=True),
    Row("sign-out", EVERYBODY, method="post"),
    Row("theme", EVERYBODY, method="post", is_public=True),
    Row("alive", EVERYBODY, is_public=True),
    Row("ready", EVERYBODY, is_public=True),
    # Opened by a token, not by a role: see test_watching.
    Row("metrics", frozenset()),
]
