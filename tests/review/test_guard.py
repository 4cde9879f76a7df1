"""Nobody but this person's browser, from this page: tokens, hosts, origins, paths, uploads."""

import json
import urllib.parse

import pytest

from tests.review.conftest import doll, picture, starting


@pytest.fixture
def server(start, folder):
    return start(folder)


@pytest.fixture(scope="module")
def steadfast(tmp_path_factory):
    """One server for all that is refused: nothing of it may change what the next one meets."""
    with starting() as begin:
        server = begin(doll(tmp_path_factory.mktemp("guard") / "my doll")).enter()
        server.settled()
        yield server


def test_a_link_works_once_and_the_next_one_is_printed(server):
    parts = urllib.parse.urlsplit(server.address)
    path = f"{parts.path}?{parts.query}"
    assert server.request("GET", "/api/room")[0] == 403
    assert server.request("GET", "/open?token=guess")[0] == 403
    status, headers, _ = server.request("GET", path)
    assert status == 200
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie
    assert server.request("GET", path)[0] == 403
    assert server.request("GET", "/api/room", headers={"Cookie": cookie.split(";")[0] + "x"})[0] == 403
    assert server.request("GET", "/api/room", headers={"Cookie": cookie.split(";")[0]})[0] == 200
    assert server.next_address() != path


def test_every_answer_says_what_may_be_loaded(steadfast):
    for path in ("/", "/static/app.js", "/api/0/state", "/nothing"):
        _, headers, _ = steadfast.request("GET", path)
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1:1", "127.0.0.1:{port}@evil"]
)
def test_another_name_for_this_server_is_refused(steadfast, host):
    port = steadfast.base.rsplit(":", 1)[1]
    assert steadfast.request("GET", "/api/0/state", headers={"Host": host.format(port=port)})[0] == 421
    assert steadfast.request("GET", "/api/0/state", headers={"Host": f"localhost:{port}"})[0] == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1", ""])
def test_a_step_from_another_page_is_refused(steadfast, origin):
    body = json.dumps({"revision": 1, "action": {"do": "claim", "name": "r2"}})
    assert steadfast.request("POST", "/api/0/do", body, {"Origin": origin})[0] == 403
    assert steadfast.request("POST", "/api/0/do", body, {"Sec-Fetch-Site": "cross-site"})[0] == 403
    assert steadfast.state()["claim"] == "r1"


@pytest.mark.parametrize(
    "path",
    [
        "/static/../desk.py",
        "/static/%2e%2e%2fdesk.py",
        "/static/%2e%2e%5cdesk.py",
        "/report/0/../face.jpg",
        "/report/0/%2e%2e/face.jpg",
        "/report/0/evidence/%2e%2e/%2e%2e/findings.toml",
        "/report/0//etc/passwd",
        "/api/0/photos/..%2fface.jpg",
        "/api/9/state",
        "/api/0/photos/none/tile/0/0/0",
    ],
)
def test_no_path_leads_out_of_the_folder(steadfast, path):
    status, _, body = steadfast.request("GET", path)
    assert status == 404
    assert b"import" not in body and b"root:" not in body


def test_a_link_in_the_report_folder_leads_nowhere(server, folder, tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("secret", encoding="utf-8")
    (folder / "report").mkdir()
    (folder / "report" / "notes.txt").symlink_to(secret)
    server.enter()
    assert server.request("GET", "/report/0/notes.txt")[0] == 404


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../out.jpg", "out.jpg"),
        ("/etc/out.jpg", "out.jpg"),
        (".hidden.jpg", "hidden.jpg"),
        ("<script>.jpg", "_script_.jpg"),
        ("face.jpg", "face-2.jpg"),
        ("no ending", "no ending.jpg"),
        ("a" * 400 + ".jpg", "a" * 146 + ".jpg"),
        ("", "photo.jpg"),
        ("line\nbreak\x1b.jpg", "line_break_.jpg"),
    ],
)
def test_what_is_dropped_stays_in_the_folder(server, folder, tmp_path, name, kept):
    server.enter()
    data = picture(tmp_path / "given.jpg", 200, 100).read_bytes()
    status, _, body = server.request(
        "POST", "/api/0/photos", data, {"X-Name": urllib.parse.quote(name, safe="")}
    )
    if len(name) > 300:  # the page's name for it was cut before the ending
        assert status == 200 and json.loads(body)["name"].startswith("aaa")
        return
    assert (status, json.loads(body)["name"]) == (200, kept)
    assert (folder / kept).read_bytes() == data
    assert not list((folder / ".rakelight-review" / "incoming").iterdir())


@pytest.mark.parametrize(
    "data", [b"", b"GIF89a", b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"\xff\xd8\xff" * 99]
)
def test_what_is_no_photo_is_refused_and_gone(steadfast, data):
    before = sorted(p.name for p in steadfast.folder.iterdir() if not p.name.startswith("."))
    status, _, body = steadfast.request("POST", "/api/0/photos", data, {"X-Name": "x.jpg"})
    assert status == 422 and "x.jpg" in json.loads(body)["error"]
    assert sorted(p.name for p in steadfast.folder.iterdir() if not p.name.startswith(".")) == before
    assert not list((steadfast.folder / ".rakelight-review" / "incoming").iterdir())


def test_a_file_that_is_too_large_is_refused_before_it_is_sent(steadfast):
    headers = {"X-Name": "x.jpg", "Content-Length": "400000000"}
    status, _, body = steadfast.request("POST", "/api/0/photos", b"", headers)
    assert status == 400 and "300 MB" in json.loads(body)["error"]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"[]",
        b"{" * 5000,
        b'{"revision": "1", "action": {"do": "undo"}}',
        b'{"revision": 1, "action": {"do": "format"}}',
        b'{"revision": 1, "action": {"do": "place", "photo": "x", "name": "lips", "polygons": [[["a", 1]]]}}',
        b'{"revision": 1, "action": {"do": "place", "polygons": [[[1e999, 1], [1, 1], [2, 2]]]}}',
        b'{"revision": 1, "action": {"do": "finding", "name": "torso_build", "value": {"state": ["x"]}}}',
        b'{"revision": 1, "action": {"do": "finding", "name": "weight_g", "value": {"value": true}}}',
        b'{"revision": 1, "action": {"do": "finding", "name": "torso_build", "value": {"state": "gone"}}}',
        b'{"revision": 1, "action": {"do": "guide", "name": "/etc/passwd"}}',
        b'{"revision": 1, "action": {"do": "claim", "name": "r99"}}',
        b'{"revision": 1, "action": {"do": "redo"}}',
    ],
)
def test_steps_that_make_no_sense_change_nothing(steadfast, body):
    before = steadfast.state()
    status, _, answer = steadfast.request("POST", "/api/0/do", body)
    assert status in (400, 409, 422) and json.loads(answer)["error"]
    after = steadfast.state()
    assert (after["revision"], after["claim"], after["hands"]) == (
        before["revision"],
        before["claim"],
        before["hands"],
    )
    assert not any((steadfast.folder / name).exists() for name in ("findings.toml", "regions.toml"))


def test_disk_full_is_said_and_nothing_is_lost(server, folder, monkeypatch):
    server.enter().settled()
    assert server.do({"do": "finding", "name": "fringe", "value": {"state": "soft"}})[0] == 200
    text = (folder / "findings.toml").read_text(encoding="utf-8")
    # A folder of that name stands for what cannot be written: the tests run as root.
    (folder / "findings.toml").unlink()
    (folder / "findings.toml").mkdir()
    status, answer = server.do({"do": "finding", "name": "fringe", "value": {"state": "firm"}})
    assert status in (409, 507) and answer["error"]
    (folder / "findings.toml").rmdir()
    (folder / "findings.toml").write_text(text, encoding="utf-8")
    assert server.do({"do": "finding", "name": "fringe", "value": {"state": "firm"}})[0] in (200, 409)
