import errno
import os
import threading
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response
from PIL import Image

from inspector.settings import Settings

FOR_A_PROGRAM = {"Accept": "application/json"}


def submit(client: TestClient, fields: dict[str, str], photos: list[tuple[str, bytes]]) -> Response:
    """Send the form as a browser does without the script: an empty nameless file for a field left empty."""
    plain = [(f'name="{name}"', value.encode()) for name, value in fields.items()]
    files = [(f'name="photos"; filename="{name}"', data) for name, data in [*photos, ("", b"")]]
    parts = [
        b"--x\r\nContent-Disposition: form-data; %b\r\n\r\n%b\r\n" % (head.encode(), data)
        for head, data in plain + files
    ]
    content = b"".join(parts) + b"--x--\r\n"
    return client.post("/photos", content=content, headers={"Content-Type": "multipart/form-data; boundary=x"})


def test_a_photo_sent_by_the_script_is_answered_with_what_was_found(
    client: TestClient, piece_photo: Callable[..., bytes]
) -> None:
    answer = client.post(
        "/photos",
        data={"mold": "oak-leaf"},
        files={"photos": ("leaf.png", piece_photo(chips=2))},
        headers=FOR_A_PROGRAM,
    )
    assert answer.status_code == 200
    (photo,) = answer.json()["photos"]
    assert photo["outcome"] == "flagged"
    assert photo["message"] == "2 chips"
    assert photo["piece"] == "/pieces/1"
    assert photo["already_logged"] is False


def test_several_photos_of_a_form_are_each_told_of(client: TestClient, piece_photo: Callable[..., bytes]) -> None:
    photos = [(f"leaf-{seed}.png", piece_photo(chips=seed, seed=seed)) for seed in range(3)]
    page = submit(client, {"mold": "oak-leaf", "pour_id": "", "demolded_at": ""}, photos).text
    assert "3 photos sent" in page
    assert "<strong>Clear</strong>" in page
    assert page.count("<strong>Flagged</strong>") == 2
    assert "3 pieces waiting" in client.get("/").text


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("pour_id", str(2**63), "A number that was given is larger than any in the log"),
        ("piece_id", str(2**63), "A number that was given is larger than any in the log"),
        ("demolded_at", "0001-01-01T00:00+14:00", "is no time of a workshop. Check the year"),
        ("demolded_at", "9999-12-31T23:59-12:00", "is no time of a workshop. Check the year"),
    ],
)
def test_what_no_workshop_has_is_told_and_nothing_is_kept(
    client: TestClient, piece_photo: Callable[..., bytes], field: str, value: str, said: str
) -> None:
    answer = client.post(
        "/photos",
        data={"mold": "oak-leaf", field: value},
        files={"photos": ("leaf.png", piece_photo())},
        headers=FOR_A_PROGRAM,
    )
    assert answer.status_code == 422
    assert said in answer.json()["error"]["message"]
    assert client.app.state.workshop.pieces() == ()  # type: ignore[attr-defined]


def test_fifty_photos_sent_two_at_a_time_are_all_kept(client: TestClient, piece_photo: Callable[..., bytes]) -> None:
    seeds = iter(range(50))
    lock = threading.Lock()
    statuses: list[int] = []

    def send() -> None:
        while True:
            with lock:
                seed = next(seeds, None)
            if seed is None:
                return
            answer = client.post(
                "/photos",
                data={"mold": "oak-leaf"},
                files={"photos": (f"{seed}.png", piece_photo(seed=seed))},
                headers=FOR_A_PROGRAM,
            )
            statuses.append(answer.status_code)

    senders = [threading.Thread(target=send) for _ in range(2)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    assert statuses == [200] * 50
    assert "50 pieces waiting" in client.get("/").text


def test_the_same_photo_again_is_recognised(client: TestClient, piece_photo: Callable[..., bytes]) -> None:
    for already_logged in (False, True):
        answer = client.post(
            "/photos",
            data={"mold": "oak-leaf"},
            files={"photos": ("leaf.png", piece_photo(chips=1))},
            headers=FOR_A_PROGRAM,
        )
        (photo,) = answer.json()["photos"]
        assert photo["already_logged"] is already_logged
        assert photo["piece"] == "/pieces/1"
    assert "1 piece waiting" in client.get("/").text


@pytest.mark.parametrize("spoil", ["empty", "no image", "cut off"])
def test_a_file_that_is_no_photo_is_named_and_stops_nothing(
    client: TestClient, piece_photo: Callable[..., bytes], spoil: str
) -> None:
    good = piece_photo(chips=1)
    spoiled = {"empty": b"", "no image": b"%PDF-1.7 order list", "cut off": good[: len(good) // 2]}[spoil]
    answer = client.post(
        "/photos",
        data={"mold": "oak-leaf"},
        files=[("photos", ("list.png", spoiled)), ("photos", ("leaf.png", good))],
        headers=FOR_A_PROGRAM,
    )
    refused, kept = answer.json()["photos"]
    assert refused["outcome"] == "could not be used"
    assert "list.png" in refused["message"]
    assert refused["piece"] is None
    assert kept["outcome"] == "flagged"
    assert "1 piece waiting" in client.get("/").text


def test_when_no_photo_could_be_kept_the_answer_is_a_refusal(client: TestClient) -> None:
    answer = client.post(
        "/photos", data={"mold": "oak-leaf"}, files={"photos": ("a.png", b"no")}, headers=FOR_A_PROGRAM
    )
    assert answer.status_code == 422
    assert "a.png" in answer.json()["error"]["message"]


def test_a_photo_that_is_too_large_is_refused_with_both_sizes(client: TestClient, settings: Settings) -> None:
    files = {"photos": ("big.png", b"\0" * (settings.max_photo_bytes + 1))}
    page = client.post("/photos", data={"mold": "oak-leaf"}, files=files)
    assert page.status_code == 422
    assert "Photo big.png is 200 kB; the largest that is taken is 200 kB." in page.text


@pytest.mark.parametrize(
    ("sent", "shown"),
    [
        ("../../etc/passwd.png", "passwd.png"),
        ("C:\\photos\\leaf.png", "leaf.png"),
        ("x" * 300 + ".png", "x" * 200),
        ("<b>leaf</b>.png", "b&gt;.png"),
    ],
)
def test_a_file_name_is_only_a_name(
    client: TestClient, piece_photo: Callable[..., bytes], settings: Settings, sent: str, shown: str
) -> None:
    page = client.post("/photos", data={"mold": "oak-leaf"}, files={"photos": (sent, piece_photo())}).text
    assert f'<span class="sent-name">{shown}</span>' in page
    outside = [path for path in settings.data_dir.parent.rglob("*") if settings.data_dir not in (path, *path.parents)]
    assert outside == []


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"mold": "swan"}, "swan"),
        ({"mold": "oak-leaf", "pour_id": "9"}, "There is no pour 9"),
        ({"mold": "oak-leaf", "pour_id": "grey"}, "The pour id cannot be used"),
        ({"mold": "oak-leaf", "demolded_at": "yesterday"}, "The demolded at cannot be used"),
        ({"mold": "oak-leaf", "pour_id": "1", "demolded_at": "2026-11-23T07:00:00+01:00"}, "lies before pour 1"),
        ({"mold": "oak-leaf", "piece_id": "9"}, "There is no piece 9"),
    ],
)
def test_what_cannot_be_recorded_is_refused_in_words(
    client: TestClient, piece_photo: Callable[..., bytes], fields: dict[str, str], words: str
) -> None:
    answer = client.post("/photos", data=fields, files={"photos": ("leaf.png", piece_photo())})
    assert answer.status_code == 422
    assert words in answer.text
    assert "No piece is waiting" in client.get("/").text


def test_a_form_without_a_photo_says_so(client: TestClient) -> None:
    answer = submit(client, {"mold": "oak-leaf"}, [])
    assert answer.status_code == 422
    assert "No photo was chosen" in answer.text


def test_photos_come_in_the_sizes_that_pages_need(
    client: TestClient, add: Callable[..., int], settings: Settings
) -> None:
    add(chips=1)
    for address, side_px in (
        ("/photos/2/400.jpg", 320),
        ("/photos/2/1600.jpg", 320),
        ("/photos/2/full.jpg", 320),
        ("/photos/2/reference-full.jpg", 320),
    ):
        answer = client.get(address)
        picture = Image.open(BytesIO(answer.content))
        assert picture.format == "JPEG"
        assert max(picture.size) == side_px  # never made larger
    assert len(list((settings.data_dir / "pictures").glob("*.jpg"))) == 4


def test_a_large_photo_is_made_smaller_for_a_thumbnail(client: TestClient) -> None:
    large = BytesIO()
    Image.new("L", (1000, 500), 130).save(large, "PNG")
    client.post("/photos", data={"mold": "oak-leaf"}, files={"photos": ("large.png", large.getvalue())})
    picture = Image.open(BytesIO(client.get("/photos/2/400.jpg").content))
    assert picture.size == (400, 200)


def test_a_picture_is_made_once_and_sent_once(client: TestClient, add: Callable[..., int], settings: Settings) -> None:
    add(chips=1)
    first = client.get("/photos/2/400.jpg")
    (kept,) = (settings.data_dir / "pictures").iterdir()
    kept.write_bytes(b"kept before")
    assert client.get("/photos/2/400.jpg").content == b"kept before"
    again = client.get("/photos/2/400.jpg", headers={"If-None-Match": first.headers["etag"]})
    assert again.status_code == 304
    assert again.content == b""


def test_the_original_is_given_back_byte_for_byte(client: TestClient, piece_photo: Callable[..., bytes]) -> None:
    data = piece_photo(cracks=1)
    client.post("/photos", data={"mold": "oak-leaf"}, files={"photos": ("Blatt «1».png", data)})
    answer = client.get("/photos/2/original")
    assert answer.content == data
    assert answer.headers["content-type"] == "image/png"
    assert answer.headers["content-disposition"].startswith("attachment")


@pytest.mark.parametrize(
    "address",
    [
        "/photos/99/400.jpg",
        "/photos/2/401.jpg",
        "/photos/2/original.jpg",
        "/photos/99/original",
        "/photos/99/full.jpg",
        "/photos/2/reference-7.jpg",
        "/photos/1/reference-400.jpg",  # the photo of a reference: nothing is laid over it
    ],
)
def test_pictures_that_are_not_there_are_not_found(client: TestClient, add: Callable[..., int], address: str) -> None:
    add(chips=1)
    assert client.get(address).status_code == 404


def test_kept_pictures_leave_nothing_unfinished(tmp_path: Path) -> None:
    from inspector.web.pictures import kept_picture

    def fail() -> bytes:
        raise ValueError("no picture")

    with pytest.raises(ValueError, match="no picture"):
        kept_picture(tmp_path, "a.jpg", fail)
    assert kept_picture(tmp_path, "a.jpg", lambda: b"made") == b"made"
    assert [path.name for path in tmp_path.iterdir()] == ["a.jpg"]


def test_a_picture_is_shown_although_the_disk_has_no_room_for_it(
    client: TestClient, add: Callable[..., int], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    photo_id = client.app.state.workshop.piece(add(chips=1)).photos[0].id  # type: ignore[attr-defined]
    monkeypatch.setattr("tempfile.mkstemp", full)
    response = client.get(f"/photos/{photo_id}/400.jpg")
    assert response.status_code == 200
    assert response.content.startswith(b"\xff\xd8\xff")


def test_an_upload_that_finds_no_room_is_told(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("starlette.datastructures.UploadFile.write", full)
    response = client.post(
        "/photos",
        data={"mold": "oak-leaf"},
        files={"photos": ("a.png", b"x" * 1000)},
        headers={"Accept": "application/json"},
    )
    assert response.status_code == 503
    assert "the disk refuses it: No space left on device" in response.json()["error"]["message"]


def test_pictures_carry_no_place(client: TestClient, add: Callable[..., int]) -> None:
    # The GPS directory of Exif 3.0 is pointed at by tag 34853.
    exif = Image.Exif()
    exif.get_ifd(34853)[2] = (48.0, 8.0, 0.0)
    exif[271] = "A phone"
    file = BytesIO()
    Image.new("RGB", (320, 240), (120, 120, 120)).save(file, "JPEG", exif=exif)
    assert Image.open(file).getexif().get_ifd(34853)
    piece = add(chips=1)
    submit(client, {"mold": "oak-leaf", "piece_id": str(piece)}, [("leaf.jpg", file.getvalue())])
    photo = client.app.state.workshop.piece(piece).photos[-1]  # type: ignore[attr-defined]
    assert photo.name == "leaf.jpg"
    for what in ("400.jpg", "full.jpg", "reference-400.jpg", "difference-400.jpg"):
        picture = client.get(f"/photos/{photo.id}/{what}").content
        assert picture.startswith(b"\xff\xd8\xff"), what
        assert dict(Image.open(BytesIO(picture)).getexif()) == {}, what
    assert client.get(f"/photos/{photo.id}/original").content == file.getvalue()
