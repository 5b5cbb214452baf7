from tests.doors.matrix import EVERYBODY, Row

ROWS = [
    Row("home", EVERYBODY),
    Row("sign-in", EVERYBODY, is_public=True),
    Row("sign-out", EVERYBODY, method="post"),
    Row("theme", EVERYBODY, method="post", is_public=True),
    Row("alive", EVERYBODY, is_public=True),
]
