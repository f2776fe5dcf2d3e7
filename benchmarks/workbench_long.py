"""A ledger of a million records in the browser: how long a person waits for each thing, and whether it is true.

    python benchmarks/workbench_long.py [--json] [--records 1000000] [--in FOLDER]

The ledger is that of `ledger.py`, filled at once. It is served as its user does, and a real browser (Chromium)
does what `tests/journey/test_workbench_big.py` does on a shorter one: the first page of Evidence, a search by verdict,
a record in the middle, the trend with brush and zoom, Duty. Every answer is held against SQL on the same file; the
script ends where one differs. Told is the wait for each, and the processor time of the web process and of the browser.
"""

import argparse
import json
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from workbench_pages import Spent, served  # the benchmark beside this one


def looked_through(folder: Path, records: int) -> dict[str, dict[str, float]]:
    """Return what each thing took, in ms."""
    from tests.helpers.browsers import headless
    from tests.helpers.long_ledger import Auditor, fill

    folder.mkdir()
    (folder / "station.toml").write_text('format = "tiepoint/station/1"\nname = "vents"\n', encoding="utf-8")
    began = time.perf_counter()
    fill(folder / "ledger.sqlite", records)
    told = {"filled": {"ms": 1e3 * (time.perf_counter() - began)}}
    with served(folder) as (address, server), headless() as browser:

        @contextmanager
        def timed(name: str) -> Iterator[None]:
            spent, begun = Spent(server), time.perf_counter()
            yield
            web, pages = spent.ms()
            told[name] = {"ms": 1e3 * (time.perf_counter() - begun), "server_ms": web, "browser_ms": pages}

        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.set_default_timeout(120_000)
        auditor = Auditor(page, address.removeprefix("http://"), folder / "ledger.sqlite", timed)
        auditor.look_through()
        auditor.duty()
    return told


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--records", type=int, default=1_000_000)
    parser.add_argument("--in", dest="place", type=Path)
    asked = parser.parse_args()
    sys.path.insert(0, str(Path(__file__).parents[1]))
    with TemporaryDirectory(dir=asked.place) as place:
        told = looked_through(Path(place) / "vents", asked.records)
    if asked.json:
        print(json.dumps({"records": asked.records, "waits": told}, indent=1))
        return
    print(f"{asked.records:,} records; what the pages say is what SQL says")
    for name, one in told.items():
        print(f"  {name:26s} " + "  ".join(f"{key} {value:.0f}" for key, value in one.items()))


if __name__ == "__main__":
    main()
