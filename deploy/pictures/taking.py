"""Start a demo of its own on a free port, look at three of its pages, and keep what they look like.

The pictures show whatever the demo shows at the hour they are taken. Called by `deploy/pictures/take`.
"""

from __future__ import annotations

import re
import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Locator, Page, sync_playwright
from small import small

HERE = Path(__file__).resolve().parent
LARGEST = 60_000  # bytes


def main() -> int:
    chromium = shutil.which("chromium")
    if chromium is None:
        print("deploy/pictures/take: chromium was not found; on Debian: apt-get install chromium", file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory() as folder:
        demo = subprocess.Popen(
            [sys.executable, HERE.parent / "running_demo.py", "--port", str(_free_port()), "--data", f"{folder}/data"],
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            said = _said(demo)
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(
                    executable_path=chromium, args=["--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
                )
                _desk(browser.new_page(viewport={"width": 1280, "height": 560}), said)
                _telephone(browser.new_page(viewport={"width": 390, "height": 640}), said)
                browser.close()
        finally:
            demo.terminate()
            demo.wait()
    return 0


def _desk(page: Page, said: str) -> None:
    """The weekly review, and the first patient on it whose pressure is up."""
    page.goto(_address(said, "/clinic"))
    page.get_by_label("E-mail").fill(_word(said, "sign in as"))
    page.get_by_label("Password").fill(_word(said, "password"))
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.wait_for_url("**/clinic/**")
    _scroll_to(page, page.get_by_role("heading", name="Weekly review"))
    _keep(page, "review")
    page.get_by_role("link", name="Odalys Merriwick").first.click()
    page.wait_for_load_state("networkidle")
    _scroll_to(page, page.get_by_role("heading", name="Odalys Merriwick"))
    _keep(page, "patient")


def _telephone(page: Page, said: str) -> None:
    """The check-in behind the newest message on the patient's telephone."""
    page.goto(re.findall(r"http://\S+/demo/phone/\S+", said)[0])
    page.locator(".thread a").last.click()
    page.wait_for_load_state("networkidle")
    _keep(page, "phone")


def _scroll_to(page: Page, what: Locator) -> None:
    what.evaluate("it => window.scrollTo(0, it.getBoundingClientRect().top + window.scrollY - 12)")


def _keep(page: Page, name: str) -> None:
    picture = small(page.screenshot())
    if len(picture) > LARGEST:
        raise SystemExit(f"{name}: {len(picture)} bytes, more than {LARGEST}")
    (HERE / f"{name}.png").write_bytes(picture)
    print(f"{name}.png: {len(picture)} bytes")


def _said(demo: subprocess.Popen[str]) -> str:
    said = ""
    for line in demo.stdout or ():
        said += line
        if "Ctrl-C stops everything" in line:
            return said
    raise SystemExit(f"the demo did not start:\n{said}")


def _address(said: str, path: str) -> str:
    return next(found[0] for found in re.finditer(r"http://\S+", said) if path in found[0])


def _word(said: str, label: str) -> str:
    found = re.search(rf"{label}\s+(.+)", said)
    if found is None:
        raise SystemExit(f"the demo did not say: {label}")
    return found[1].strip()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


if __name__ == "__main__":
    sys.exit(main())
