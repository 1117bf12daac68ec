"""Photos of a run: small, upright, without what their file said beside the picture; kept, shown, exported, erased."""

import base64
import io
import json
import struct
import zlib

import pytest
from PIL import ExifTags, Image
from sqlalchemy import func, select

from taperwise.api.core.database import Database
from taperwise.api.exports.archive import Archive, sealed
from taperwise.api.exports.sheet import as_pdf
from taperwise.api.log.photos import MOST, Photo
from taperwise.api.ownership.erasure import erase_installation
from tests.api.asking import RUN, Client, problem
from tests.api.web.reading import RUN as TYPED
from tests.api.web.reading import words

_PLACE = b"N 12 34 56"


def taken(size: tuple[int, int] = (2400, 1200), orientation: int = 6, form: str = "JPEG") -> bytes:
    """A photo as a phone takes it: red on its left half, blue on its right, turned, with place, time and comment."""
    image = Image.new("RGB", size, "blue")
    image.paste("red", (0, 0, size[0] // 2, size[1]))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    exif[ExifTags.Base.Make] = "an invented camera"
    exif[ExifTags.Base.DateTime] = "2026:05:01 10:30:00"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSMapDatum] = _PLACE.decode()
    kept = io.BytesIO()
    more = {"comment": b"taken at home"} if form == "JPEG" else {}
    image.save(kept, form, exif=exif, **more)
    return kept.getvalue()


def _sent(photo: bytes) -> dict[str, str]:
    return {"image": base64.b64encode(photo).decode()}


@pytest.fixture
def run(client: Client, place: str) -> str:
    """Address of the photos of a run."""
    client.post(f"{place}/runs", json=RUN)
    return f"{place}/entries/1/photos"


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_nothing_but_the_picture_is_kept(client: Client, run: str, form: str) -> None:
    """Place, camera, time and comment are gone; it is upright and at most 1280 px long."""
    photo = taken(form=form)
    assert _PLACE in photo
    made = client.post(run, json=_sent(photo))
    assert made.status_code == 201, made.text
    assert (made.json()["width"], made.json()["height"]) == (640, 1280)
    served = client.get(f"{run}/{made.json()['id']}")
    assert served.headers["content-type"] == "image/jpeg"
    for trace in (_PLACE, b"invented camera", b"2026:05:01", b"taken at home", b"Exif"):
        assert trace not in served.content
    image = Image.open(io.BytesIO(served.content))
    assert dict(image.getexif()) == {}
    assert image.size == (640, 1280)  # orientation 6: the left of the sensor is the top of the picture
    (top_red, _, top_blue), (low_red, _, low_blue) = (image.getpixel((320, y)) for y in (100, 1180))  # type: ignore[misc]
    assert top_red > 200 > 100 > top_blue
    assert low_blue > 200 > 100 > low_red


def _bomb(width: int, height: int) -> bytes:
    """A PNG of a few bytes that says it has very many pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("photo", "told"),
    [
        (_bomb(9000, 9000), "at most 64 million pixels"),
        (_bomb(12_000, 12_000), "at most 64 million pixels"),
        (_bomb(60_000, 60_000), "at most 64 million pixels"),
        (b"GIF89a no photo", "This is not a photo"),
        (b"%PDF-1.4", "This is not a photo"),
        (b"<svg/>", "This is not a photo"),
        (taken()[:4000], "This is not a photo"),
    ],
    ids=["81 million", "144 million", "3600 million", "GIF", "PDF", "SVG", "cut short"],
)
def test_what_is_no_photo_is_refused(client: Client, run: str, photo: bytes, told: str) -> None:
    """Too many pixels before any is read, other files, and one cut short: with field, value and a cure."""
    (error,) = problem(client.post(run, json=_sent(photo)), 422)["errors"]
    assert told in error["message"]
    assert error["field"] == "image"
    assert error["value"]
    assert error["cure"]
    assert client.get(run).json() == {"photos": []}
    assert "base64" in problem(client.post(run, json={"image": "é?"}), 422)["detail"]


def test_a_photo_cut_short_is_refused_after_a_sheet_was_printed(client: Client, run: str) -> None:
    """What lays out the sheet lets such pictures pass in the whole process, unless it is told not to."""
    as_pdf("<p>any</p>")
    (error,) = problem(client.post(run, json=_sent(taken()[:4000])), 422)["errors"]
    assert "This is not a photo" in error["message"]


def test_a_run_has_a_few_photos_and_nothing_else_has_any(client: Client, run: str, place: str) -> None:
    """The same request sent twice is one photo; one too many, an adjustment and no entry are refused."""
    key = {"Idempotency-Key": "a-photo-of-friday"}
    numbers = {client.post(run, json=_sent(taken((40, 20))), headers=key).json()["id"] for _ in range(2)}
    assert len(numbers) == 1
    for _ in range(MOST - 1):
        assert client.post(run, json=_sent(taken((40, 20)))).status_code == 201
    assert f"at most {MOST} photos" in problem(client.post(run, json=_sent(taken((40, 20)))), 409)["detail"]
    (first, *_) = client.get(run).json()["photos"]
    assert client.delete(f"{run}/{first['id']}").status_code == 204
    problem(client.delete(f"{run}/{first['id']}"), 404)
    problem(client.get(f"{run}/{first['id']}"), 404)
    assert client.post(run, json=_sent(taken((40, 20)))).status_code == 201
    client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": 0.125})
    problem(client.post(f"{place}/entries/2/photos", json=_sent(taken((40, 20)))), 422)
    problem(client.get(f"{place}/entries/9/photos"), 404)
    (there, *_) = client.get(run).json()["photos"]
    problem(client.get(f"{place}/entries/2/photos/{there['id']}"), 404)


def test_an_export_holds_them_and_erasure_removes_them(client: Client, run: str, place: str) -> None:
    """Unchanged by the way there and back; with the engine they are gone."""
    client.post(run, json=_sent(taken()))
    packed = client.get(f"{place}/export").json()
    made = client.post("/api/v1/installations/import", json=packed)
    assert made.status_code == 201, made.text
    there = made.headers["Location"]
    assert client.get(f"{there}/export").json()["contents"]["entries"] == packed["contents"]["entries"]
    ((before,), (after,)) = (client.get(f"{at}/entries/1/photos").json()["photos"] for at in (place, there))
    pictures = [client.get(f"{p}/entries/1/photos/{n['id']}") for p, n in ((place, before), (there, after))]
    assert pictures[0].content == pictures[1].content
    hidden = json.loads(json.dumps(packed))
    hidden["contents"]["entries"][0]["photos"][0]["image"] = base64.b64encode(taken()).decode()
    assert problem(client.post("/api/v1/installations/import", json=hidden), 422)["errors"][0]["field"] == "seal"
    for image, told in ((taken(), "at most 1280 px"), (b"GIF89a no photo", "not a photo")):
        hidden["contents"]["entries"][0]["photos"][0]["image"] = base64.b64encode(image).decode()
        again = sealed(Archive.model_validate(hidden).contents).model_dump(mode="json")  # by whoever can make a seal
        (error,) = problem(client.post("/api/v1/installations/import", json=again), 422)["errors"]
        assert told in error["message"]
        assert error["field"].endswith("photos.0.image")
    database: Database = client.app.state.database  # type: ignore[attr-defined]
    with database.unit() as session:
        for at in (place, there):
            erase_installation(session, int(at.rpartition("/")[2]))
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(Photo)) == 0


def test_pages_add_show_and_delete_them(client: Client, place: str) -> None:
    """With the run, and later in the history, as forms without a script; one that is none keeps the run unrecorded."""
    home = place.removeprefix("/api/v1")
    typed = {**TYPED, "pressure_kind": "pressure"}
    file = {"photo": ("IMG_1.jpg", taken(), "image/jpeg")}
    wrong = client.post(f"{home}/run", data=typed, files={"photo": ("a.jpg", b"none", "image/jpeg")})
    assert wrong.status_code == 422
    assert "This is not a photo" in words(wrong.text)
    assert client.get(f"/api/v1{home}/history").json()["entries"] == []
    assert client.post(f"{home}/run", data=typed, files=file, follow_redirects=False).status_code == 303
    history = client.get(f"{home}/history").text
    (photo,) = client.get(f"{place}/entries/1/photos").json()["photos"]
    assert f'src="{place}/entries/1/photos/{photo["id"]}"' in history
    more = {"client_id": "another-photo-1"}
    for _ in range(2):
        added = client.post(f"{home}/entries/1/photos", data=more, files=file, follow_redirects=False)
        assert added.status_code == 303, added.text
    assert len(client.get(f"{place}/entries/1/photos").json()["photos"]) == 2
    assert client.post(f"{home}/entries/1/photos", data={"client_id": "another-photo-2"}).status_code == 422
    assert client.post(f"{home}/entries/1/photos/{photo['id']}/delete", data={"x": "1"}).status_code == 200
    assert len(client.get(f"{place}/entries/1/photos").json()["photos"]) == 1


def test_the_sheet_shows_them(client: Client, run: str, place: str) -> None:
    """On its page by address; in the PDF themselves, made small, since it loads nothing."""
    home = place.removeprefix("/api/v1")
    without = client.get(f"{home}/sheet.pdf").content
    made = client.post(run, json=_sent(taken())).json()
    assert f'{run}/{made["id"]}" alt="Photo 1 of run 1"' in client.get(f"{home}/sheet").text
    assert client.get(f"{home}/sheet.pdf").content.count(b"/DCTDecode") == without.count(b"/DCTDecode") + 1
