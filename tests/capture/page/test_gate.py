"""What must be refused: other hosts and origins (DNS rebinding, cross-site requests), wrong tokens, paths, sizes, rubbish.

The rules follow the Fetch standard (Origin, Sec-Fetch-Site) and the OWASP advice for services on the loopback address.
"""

from __future__ import annotations

import json
from urllib.parse import quote

import pytest

from capture.page.gate import MOST_BODY, MOST_UPLOAD

SECRET = "not for others"


@pytest.fixture
def client(serve, plate):
    (plate.parent / "secret.txt").write_text(SECRET)
    (plate.parent.parent / "outside.toml").write_text("[job]\n")
    return serve(plate)


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example", "", "[::1]:80"]
)
def test_other_hosts_are_refused(client, host):
    assert client.get("start", Host=host).status == 421


def test_the_own_host_may_be_called_localhost(client):
    assert client.get("start", Host=f"localhost:{client.server.gate.port}").status == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1", "http://127.0.0.1:1", None])
def test_changes_from_another_origin_are_refused(client, origin, plate):
    before = plate.read_bytes()
    job = client.get("start").record["first"]
    change = {
        "revision": client.get(f"job/{job}/revision").record["revision"],
        "changes": [{"do": "remove feature", "name": "bolt"}],
    }
    assert client.post(f"job/{job}/change", change, Origin=origin).status == 403
    assert plate.read_bytes() == before


def test_reading_from_another_site_is_refused(client):
    assert client.get("start", Origin="http://evil.example").status == 403
    assert client.get("start", Sec_Fetch_Site="cross-site").status == 403
    assert client.get("start", Sec_Fetch_Site="same-origin").status == 200


@pytest.mark.parametrize("token", ["", "x", "é", "%00"])
def test_a_wrong_token_leads_nowhere(client, token):
    for target in (f"/{token.encode('ascii', 'ignore').decode()}/start", "/start", "/"):
        reply = client.raw("GET", target)
        assert (reply.status, "hatch" in reply.body.decode()) == (404, False)
    short = client.server.gate.token[:-1]
    assert client.raw("GET", f"/{short}/start").status == 404


@pytest.mark.parametrize(
    "path",
    [
        "../secret.txt",
        "..%2fsecret.txt",
        "%2e%2e/secret.txt",
        "secret.txt",
        "/etc/passwd",
        "index.html/../../secret.txt",
        "job/{job}/file/..%2fsecret.txt",
        "job/{job}/file/../secret.txt",
        "job/{job}/file/secret.txt",
        "job/{job}/file/%2fetc%2fpasswd",
        "job/{job}/file/",
        "job/{job}/tile/0/raw/k/0/-1/0",
        "job/{job}/tile/0/raw/k/99/0/0",
        "job/{job}/tile/0/raw/k/0/999999/0",
        "job/none/state",
        "job/{job}/../../start",
        "__init__.py",
        "server.py",
        "index.html%00.css",
    ],
)
def test_paths_lead_nowhere_else(client, path):
    job = client.get("start").record["first"]
    reply = client.get(path.format(job=job))
    assert reply.status in (404, 422)
    assert SECRET not in reply.body.decode(errors="replace") and b"root:" not in reply.body


@pytest.mark.parametrize(
    "name", ["../outside.toml", "/etc/passwd", "..", "", "secret.txt", "a\0b.toml", ".hatch.toml.history"]
)
def test_only_listed_files_open(client, name):
    assert client.post("open", {"file": name}).status == 422


def test_a_photo_outside_the_folder_is_not_shown(serve, plate):
    inner = plate.parent / "inner"
    inner.mkdir()
    job = inner / "job.toml"
    job.write_text('[[photo]]\nfile = "../photo1.jpg"\n')
    client = serve(job)
    word = client.get("start").record["first"]
    assert "outside" in client.get(f"job/{word}/state").record["fault"]
    assert client.get(f"job/{word}/picture/0/raw").status == 422


@pytest.mark.parametrize(
    "table",
    [
        '[camera]\nfile = "../outside.toml"\n[[photo]]\nfile = "photo1.jpg"\n',
        '[[photo]]\nfile = "photo1.jpg"\ncamera = "/etc/passwd"\n',
        '[[photo]]\nfile = "link.jpg"\n',
        '[[probe]]\nfile = "/etc/passwd"\nunit = "mm"\n',
        '[[probe]]\nfile = ["hatch.toml", "../outside.toml"]\ntie = "x"\n',
        '[clear]\nfixed = "/etc/passwd"\nmoving = "/etc/passwd"\nslide = "0,0,1"\ntravel = "0:1:1"\n',
        '[bend]\nlegs = [1, 2]\nangles = 90\nradius = 1\nthickness = 1\nk = "coupon:x"\ncoupons = "../outside.toml"\n',
    ],
)
def test_a_job_reads_no_file_outside_its_folder(serve, plate, table):
    """Neither to show, nor to measure, nor to make: no word of the file comes back."""
    (plate.parent.parent / "outside.toml").write_text(SECRET)
    (plate.parent / "link.jpg").symlink_to("/etc/passwd")
    plate.write_text(table)
    client = serve(plate)
    job = f"job/{client.get('start').record['first']}"
    replies = [client.get(f"{job}/{what}") for what in ("state", "results", "workings", "picture/0/raw", "sketch.svg")]
    replies.append(client.post(f"{job}/make", {}))
    assert "outside the job's folder" in replies[0].record["fault"]
    assert [reply.status for reply in replies[1:]] == [422] * 5
    for reply in replies:
        assert SECRET not in reply.body.decode() and b"root:" not in reply.body
    assert not plate.with_suffix("").exists()


def test_a_forged_list_of_files_gives_nothing_from_elsewhere(client, plate):
    folder = plate.with_suffix("")
    folder.mkdir()
    (folder / "notes.txt").symlink_to(plate.parent / "secret.txt")
    listed = {"format": "edgewright-results", "files": ["notes.txt", "../secret.txt", "results.json"]}
    (folder / "results.json").write_text(json.dumps(listed))
    job = client.get("start").record["first"]
    assert client.get(f"job/{job}/file/results.json").status == 200
    assert client.get(f"job/{job}/file/notes.txt").status == 404
    assert client.get(f"job/{job}/file/..%2fsecret.txt").status == 404


@pytest.mark.parametrize(
    "path", ["bend/0.svg", "seal/0.svg", "../0", "bend/-1.svg", "bend/99999.svg", "bend/0x1", "bend"]
)
def test_pictures_that_no_calculator_gave_lead_nowhere(client, path):
    assert client.get(f"job/{client.get('start').record['first']}/working/{path}").status == 404


def test_an_upload_over_the_limit_is_refused_before_it_is_read(client, plate):
    path = f"/{client.server.gate.token}/upload/big.jpg"
    assert client.raw("PUT", path, b"", Content_Length=str(MOST_UPLOAD + 1)).status == 413
    assert not (plate.parent / "big.jpg").exists()


def test_a_picture_of_more_pixels_than_any_camera_has_is_refused(serve, tmp_path):
    """A PNG whose header claims 60000 × 60000 pixels in a few bytes (chunks after ISO/IEC 15948)."""
    import struct
    import zlib

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0))
    photo = tmp_path / "huge.png"
    photo.write_bytes(b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b""))
    client = serve(photo)
    reply = client.get(f"job/{client.get('start').record['first']}/picture/0/raw")
    assert reply.status == 422 and "over the limit" in reply.record["error"]


def test_bodies_have_a_limit_and_must_be_json(client):
    job = client.get("start").record["first"]
    path = f"/{client.server.gate.token}/job/{job}/change"
    assert client.raw("POST", path, b"", Content_Length=str(MOST_BODY + 1)).status == 413
    assert client.raw("POST", path, b"", Content_Length="-5").status == 411
    assert client.raw("POST", path, b"", Content_Length="1e3").status == 411
    assert client.raw("POST", path, b"{}", Transfer_Encoding="chunked").status == 411
    assert client.raw("POST", path, b"{}", Content_Type="text/plain").status == 415
    assert client.raw("POST", path, b"{nope").status == 400
    assert client.raw("POST", path, b"[" * 100_000).status == 400
    assert client.raw("POST", path, b"[]").status == 400


@pytest.mark.parametrize(
    "asked",
    [
        {},
        {"photo": 0, "kind": "circle", "px": [["1", 2]]},
        {"photo": 0, "kind": "circle", "px": [[1e999, 2]]},
        {"photo": 99, "kind": "circle", "px": [[1, 2]]},
        {"photo": -1, "kind": "circle", "px": [[1, 2]]},
        {"photo": True, "kind": "circle", "px": [[1, 2]]},
        {"photo": 0, "kind": "__class__", "px": [[1, 2]]},
        {"photo": 0, "kind": "path", "px": [[1, 2]] * 401},
        {"photo": 0, "kind": "circle", "px": [[1, 2]], "view": "../raw"},
        {"photo": 0, "kind": "circle", "px": [[1, 2]], "height": [1]},
    ],
)
def test_marks_that_cannot_be_meant_are_told(client, asked, plate):
    before = plate.read_bytes()
    job = client.get("start").record["first"]
    reply = client.post(f"job/{job}/mark", {"revision": "x", **asked})
    assert reply.status == 422 and reply.record["error"]
    assert plate.read_bytes() == before


@pytest.mark.parametrize(
    "name", ["../up.jpg", "..%2fup.jpg", "up.toml", "up.html", ".hidden.jpg", "<b>.jpg", "a" * 200 + ".jpg"]
)
def test_uploads_keep_to_the_folder(client, plate, name):
    reply = client.raw("PUT", f"/{client.server.gate.token}/upload/{name}", b"x")
    assert reply.status == 422
    assert not list(plate.parent.parent.glob("up*"))


def test_a_photo_keeps_the_name_that_its_owner_gave_it(client, plate):
    """Marks and umlauts that every file system takes; it opens as a job whose name is the photo's."""
    name = "Träger Ann's, left & right #2.jpg"
    content = (plate.parent / "photo1.jpg").read_bytes()
    reply = client.raw("PUT", f"/{client.server.gate.token}/upload/{quote(name)}", content)
    assert reply.status == 200 and (plate.parent / name).read_bytes() == content
    state = client.get(f"job/{reply.record['job']}/state").record
    assert (state["photos"][0]["file"], state["name"]) == (name, name.removesuffix(".jpg"))


def test_an_upload_never_overwrites(client, plate):
    before = (plate.parent / "photo1.jpg").read_bytes()
    reply = client.raw("PUT", f"/{client.server.gate.token}/upload/photo1.jpg", b"other bytes")
    assert reply.status == 200 and (plate.parent / "photo1.jpg").read_bytes() == before
    assert (plate.parent / "photo1-2.jpg").read_bytes() == b"other bytes"


def test_every_answer_forbids_what_is_not_needed(client):
    for path in ("", "page.css", "start", "nothing"):
        headers = client.get(path).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "http" not in policy
        assert headers["X-Content-Type-Options"] == "nosniff" and headers["Referrer-Policy"] == "no-referrer"
        assert "Access-Control-Allow-Origin" not in headers


def test_a_malformed_job_is_told_and_not_touched(serve, tmp_path):
    job = tmp_path / "broken.toml"
    job.write_text("[job\n")
    client = serve(job)
    state = client.get(f"job/{client.get('start').record['first']}/state").record
    assert "line 1" in state["fault"] and job.read_text() == "[job\n"


def test_the_page_names_nothing_on_the_network(root):
    for path in (root / "capture/page/static").iterdir():
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "//" not in text.replace("// ", "") or "http" not in text, path.name
        assert "innerHTML" not in text and "eval(" not in text
