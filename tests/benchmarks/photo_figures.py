"""Figures of photos: bytes as a camera writes them, as a tablet keeps and as a report prints them; what an
upload over a link that breaks sends twice; how long the service looks at a file.

Run: python -m tests.benchmarks.photo_figures. It starts a service and a headless Chromium. The camera's
picture is drawn with grain, so that it packs about as a photo of a plant room does (no source for that).
"""

import io
import os
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

import django
from PIL import Image
from playwright.sync_api import Playwright, Route, sync_playwright

from config.local.stack import Stack, local_stack
from tests.benchmarks.own import own_services
from tests.field import tablet
from tests.pages.seeds import planted

LOOKS = 9


def main() -> None:
    own_services()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    django.setup()
    with local_stack() as stack, sync_playwright() as play, tempfile.TemporaryDirectory() as folder:
        kept = on_the_tablet(stack, play, Path(folder))
    at_the_service(kept)


def camera() -> bytes:
    """12 megapixels with grain, and a camera named in its Exif."""
    from tests.measurements import pictures

    grain = Image.effect_noise((4000, 3000), 40).convert("RGB")
    image = Image.blend(pictures.drawn(4000, 3000), grain, 0.12)
    exif = image.getexif()
    exif[0x010F] = "Invented camera"
    return pictures.encoded(image, "JPEG", quality=92, exif=exif.tobytes())


def on_the_tablet(stack: Stack, play: Playwright, folder: Path) -> bytes:
    """Takes one, sends it over a link that loses every third part and the answer to every other third."""
    from tests.field.test_photos import at, back, photos_of, take, until

    seed: dict[str, Any] = planted(stack, "tests.field.seed")
    taken, sent = camera(), []
    with tablet.profile(play, folder, service_workers="block") as browser:
        page = tablet.opened(browser, stack.base_url)
        tablet.pair(page, seed)
        page.locator(".rows a").first.wait_for()
        at(page, stack, seed, "S-1")

        def link(route: Route) -> None:
            if route.request.method != "PATCH":
                route.continue_()
                return
            sent.append(len(route.request.post_data_buffer or b""))
            if len(sent) % 3 == 1:
                route.abort("connectionreset")
            elif len(sent) % 3 == 2:
                route.fetch()
                route.abort("connectionreset")
            else:
                route.continue_()

        page.route("**/api/v1/field/photos/*", link)
        begun = time.monotonic()
        take(page, taken)
        print(f"figure: photo taken until it is on the tablet's disk = {time.monotonic() - begun:.1f} s")
        page.get_by_role("button", name="Keep and send").click()
        found = until(lambda: back(page) or photos_of(stack, seed, "S-1"), 180)[0]
        size = found["size"]
        lost = sum(sent[::3])
        print(f"figure: photo as the camera wrote it = {len(taken) / 1024:.0f} KB")
        print(f"figure: photo as the tablet keeps it = {size / 1024:.0f} KB")
        print(f"figure: parts tried over the breaking link = {len(sent)}")
        print(f"figure: bytes sent again that had been lost = {lost / size:.2f} of the photo")
        print(f"figure: bytes sent again that had arrived = {sum(sent) - lost - size} B")
        answer = browser.request.get(
            f"{stack.base_url}/api/v1/photos/{found['id']}/file",
            headers={"Authorization": f"Bearer {seed['key']}"},
        )
        return answer.body()


def at_the_service(kept: bytes) -> None:
    """How long the checks and the print of what came take."""
    from measurements.photo_files import check_photo
    from reports.prints import print_of, thumbnail

    for words, act in (
        ("looking at a photo's file whole", lambda: check_photo(kept, "image/jpeg")),
        ("making its print", lambda: print_of(io.BytesIO(kept))),
        ("making it small for a list", lambda: thumbnail(io.BytesIO(kept))),
    ):
        print(f"figure: {words}, median of {LOOKS} = {middle(act):.0f} ms")
    print(f"figure: photo as a report prints it = {len(print_of(io.BytesIO(kept)).data) / 1024:.0f} KB")


def middle(act: Any) -> float:
    """Milliseconds."""
    found = []
    for _ in range(LOOKS):
        begun = time.perf_counter()
        act()
        found.append(1000 * (time.perf_counter() - begun))
    return statistics.median(found)


if __name__ == "__main__":
    main()
