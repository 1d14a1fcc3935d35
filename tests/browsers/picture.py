"""Draw the picture of the page in the README from the rehearsed demo: `make picture`."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from pathlib import Path
from typing import Final

from tests.support.browsers import chromium
from tests.support.waiting import patience

PICTURE: Final = Path(__file__).parents[2] / "deploy" / "page.png"
WIDTH: Final = 390
PACE: Final = "20"


def main() -> int:
    """Rehearse until the vehicle has charged for a while, and draw the first view."""
    program = Path(sys.executable).with_name("lullwatt")
    with subprocess.Popen(
        [program, "rehearse", "--page", "--pace", PACE], stdout=subprocess.PIPE, text=True
    ) as rehearsal:
        assert rehearsal.stdout
        line = next(each for each in rehearsal.stdout if "http://" in each)
        address = re.findall(r"http://\S+", line)[0]
        with chromium() as browser:
            phone = browser.new_context(viewport={"width": WIDTH, "height": 700}, locale="en-NZ")
            phone.set_default_timeout(patience(60) * 1000)
            tab = phone.new_page()
            tab.goto(address)
            tab.get_by_text(re.compile("5[0-9]%, counted")).wait_for()
            tab.screenshot(path=PICTURE, full_page=True)
        rehearsal.send_signal(signal.SIGINT)
    sys.stdout.write(f"{PICTURE}: {PICTURE.stat().st_size} bytes\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
