"""Photos on a tablet: taken without network, made small without place and camera, sent on from any break."""

import io
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, Playwright, Route

from config.local.stack import Stack
from tests.field import tablet
from tests.field.test_tablet import ask, until
from tests.measurements import pictures
from tests.pages.browser import complaints_of
from tests.pages.seeds import planted
from tests.pages.test_journey import PALE
from tests.pages.test_recall_journey import sign_in

CAPTION = "Lever at 4 of 9, marked in red"
pytestmark = [pytest.mark.journey, pytest.mark.browser]


@pytest.fixture(scope="module")
def seed(stack: Stack) -> dict[str, Any]:
    return planted(stack, "tests.field.seed")


def camera(turned: bool = True) -> bytes:
    """A camera's file: 3000 x 2000, noisy, with a place on earth, to be turned by a quarter."""
    image = pictures.drawn(3000, 2000)
    exif = image.getexif()
    exif[0x010F] = "Invented camera"
    if turned:
        exif[0x0112] = 6
    place = exif.get_ifd(0x8825)
    place[1], place[2], place[3], place[4] = "N", (51.0, 30.0, 0.0), "W", (0.0, 7.0, 0.0)
    return pictures.encoded(image, "JPEG", quality=97, exif=exif.tobytes())


def photos_of(stack: Stack, seed: dict[str, Any], tag: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = ask(stack, seed, f"photos?test_point={seed['points'][tag]}")["items"]
    return found


def take(page: Page, data: bytes, name: str = "IMG_0001.jpg") -> None:
    before = page.locator(".photo-row").count()
    chooser = page.get_by_label("Take a photo")
    chooser.set_input_files({"name": name, "mimeType": "image/jpeg", "buffer": data})
    until(lambda: page.locator(".photo-row").count() > before or page.locator(".notice-error").count())


def at(page: Page, stack: Stack, seed: dict[str, Any], tag: str) -> None:
    page.goto(f"{stack.base_url}/field/#/photos/{seed['job']}/{seed['points'][tag]}")
    page.get_by_role("heading", name=f"{tag}, photos and notes").wait_for()


def test_a_photo_is_taken_offline_kept_over_a_restart_sent_and_chosen_for_the_report(
    stack: Stack, seed: dict[str, Any], play: Playwright, office: Browser, tmp_path: Path
) -> None:
    with tablet.profile(play, tmp_path / "one") as browser:
        page = tablet.opened(browser, stack.base_url)
        complaints = complaints_of(page)
        tablet.pair(page, seed)
        page.locator(".rows a").first.wait_for()
        tablet.kept(page)
        at(page, stack, seed, "S-1")
        browser.set_offline(True)
        page.get_by_label("Damper mark").check()
        take(page, camera())
        page.get_by_label("Caption").fill(CAPTION)
        for width in (1280, 800):
            page.set_viewport_size({"width": width, "height": 1100})
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            page.screenshot(path=str(tmp_path / f"photos-{width}.png"))
        assert not [one for one in complaints if "ERR_INTERNET_DISCONNECTED" not in one]
        row = tablet.rows(page, "photos")[0]
        assert (row["state"], row["subject"], row["text"]) == (
            "open",
            "mark",
            CAPTION,
        )
        page.locator("#note-text").fill("The ceiling tile was missing.")
        page.get_by_role("button", name="Keep the note").click()
        page.get_by_role("button", name="Keep and send").click()
        page.get_by_text("on this tablet, waits").first.wait_for()
    with tablet.profile(play, tmp_path / "one", offline=True) as browser:  # as if the tablet went off
        page = tablet.opened(browser, stack.base_url)
        assert {one["state"] for one in tablet.rows(page, "photos")} == {"ready"}
        browser.set_offline(False)
        found = until(lambda: len(photos_of(stack, seed, "S-1")) == 2 and photos_of(stack, seed, "S-1"))
        page.get_by_text("All is sent").wait_for()
        assert {one["state"] for one in tablet.rows(page, "photos")} == {"stored"}
    photo = next(one for one in found if one["kind"] == "photo")
    assert (photo["width"], photo["height"]) == (1365, 2048)
    assert (photo["subject"], photo["text"]) == ("mark", CAPTION)
    assert photo["size"] < len(camera()) / 2
    assert next(one for one in found if one["kind"] == "note")["text"] == "The ceiling tile was missing."
    print(f"figure: photo_bytes_as_taken = {len(camera())} B")
    print(f"figure: photo_bytes_as_kept = {photo['size']} B")
    chosen_in_office(stack, seed, office, photo, tmp_path)


def chosen_in_office(
    stack: Stack, seed: dict[str, Any], office: Browser, photo: dict[str, Any], folder: Path
) -> None:
    context = office.new_context(viewport={"width": 1280, "height": 1000})
    page = context.new_page()
    complaints = complaints_of(page)
    sign_in(page, stack, seed["supervisor"], f"/review/{seed['job']}/photos")
    file = context.request.get(f"{stack.base_url}/api/v1/photos/{photo['id']}/file").body()
    image = Image.open(io.BytesIO(file))
    assert image.size == (1365, 2048)  # upright
    assert not image.getexif()
    assert b"Invented" not in file
    page.locator(".shot img").first.scroll_into_view_if_needed()
    assert until(lambda: page.locator(".shot img").first.evaluate("one => one.naturalWidth")) > 100
    for mode in ("light", "dark"):
        page.emulate_media(color_scheme=mode)  # type: ignore[arg-type]
        page.reload()  # what is folded away keeps the colours it was made with
        for width in (1280, 800):
            page.set_viewport_size({"width": width, "height": 1000})
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert page.evaluate(PALE) == []
            page.screenshot(path=str(folder / f"office-{mode}-{width}.png"), full_page=True)
    page.keyboard.press("Home")
    box = page.get_by_role("checkbox", name="damper mark")
    box.focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Show the chosen in the report").press("Enter")
    page.get_by_text("1 goes into the report.").wait_for()
    page.locator(".shot").get_by_text("in the report", exact=True).wait_for()
    page.goto(f"{stack.base_url}/review/{seed['job']}")
    page.locator(".shots-line img").first.wait_for()
    page.screenshot(path=str(folder / "office-review.png"), full_page=True)
    assert complaints == []
    context.close()


def back(page: Page) -> None:
    """As if the network had come back just now, so that the outbox does not wait long for it."""
    page.evaluate("dispatchEvent(new Event('online'))")


def test_an_upload_that_breaks_at_each_part_sends_no_byte_twice_that_arrived(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    with tablet.profile(play, tmp_path / "two", service_workers="block") as browser:
        page = tablet.opened(browser, stack.base_url)
        tablet.pair(page, seed, tablet=1)
        page.locator(".rows a").first.wait_for()
        at(page, stack, seed, "S-2")
        tried: list[int] = []

        def breaking(route: Route) -> None:
            """Every other part is lost on its way; of every third the answer is lost."""
            size = len(route.request.post_data_buffer or b"")
            tried.append(size)
            if len(tried) % 3 == 1:
                route.abort("connectionreset")
            elif len(tried) % 3 == 2:
                route.fetch()
                route.abort("connectionreset")
            else:
                route.continue_()

        def only_parts(route: Route) -> None:
            breaking(route) if route.request.method == "PATCH" else route.continue_()

        page.route("**/api/v1/field/photos/*", only_parts)
        noise = pictures.encoded(Image.effect_noise((2048, 1536), 90).convert("RGB"), "JPEG", quality=95)
        take(page, noise)
        page.get_by_role("button", name="Keep and send").click()
        found = until(lambda: back(page) or photos_of(stack, seed, "S-2"), 120)
        until(lambda: tablet.rows(page, "photos")[0]["state"] == "stored", 60)
        size = found[0]["size"]
        assert tablet.rows(page, "photos")[0]["state"] == "stored"
        assert size > 4 * 256 * 1024
        lost = sum(tried[::3])  # never arrived, so these have to be sent again
        assert sum(tried) - lost == size
        print(f"figure: photo_upload_bytes = {size} B")
        print(f"figure: photo_upload_bytes_sent = {sum(tried)} B over {len(tried)} tries")
        print("figure: photo_upload_bytes_twice_after_arrival = 0 B")


def test_what_is_no_picture_is_said_and_what_is_not_sent_is_deleted(
    stack: Stack, seed: dict[str, Any], play: Playwright, tmp_path: Path
) -> None:
    with tablet.profile(play, tmp_path / "three") as browser:
        page = tablet.opened(browser, stack.base_url)
        tablet.pair(page, seed, tablet=2)
        page.locator(".rows a").first.wait_for()
        browser.set_offline(True)
        at(page, stack, seed, "S-3")
        take(page, pictures.HTML)
        page.get_by_text("shows no picture").wait_for()
        assert tablet.rows(page, "photos") == []
        take(page, camera(turned=False))
        page.get_by_role("button", name="Delete").click()
        page.get_by_role("button", name="Delete it").click()
        until(lambda: not tablet.rows(page, "photos"))
        assert tablet.rows(page, "photos") == []
        take(page, camera(turned=False))
        page.go_back()  # leaving the page lets it go as it is
        assert until(lambda: tablet.rows(page, "photos")[0]["state"] == "ready")
