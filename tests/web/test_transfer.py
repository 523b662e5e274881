"""What goes over the wire: compressed for whoever takes it, and static files under names that may be kept."""

from __future__ import annotations

import gzip
import re

from service.web import transfer
from tests.web.conftest import House

TAKES = {"Accept-Encoding": "gzip"}


def test_a_page_is_compressed_for_whoever_takes_it_and_its_length_does_not_tell_what_is_in_it(house: House):
    client = house.app.test_client()
    plain = client.get("/signin")
    packed = [client.get("/signin", headers=TAKES) for _ in range(8)]
    assert plain.content_encoding is None
    assert {one.content_encoding for one in packed} == {"gzip"}
    assert all("Accept-Encoding" in one.headers["Vary"] for one in (plain, *packed))
    assert max(len(one.data) for one in packed) < 0.7 * len(plain.data)
    # gzip's own reader opens it (RFC 1952); only the token of the form differs from one page to the next.
    words = re.compile(rb'value="[^"]+"')
    assert words.sub(b"", gzip.decompress(packed[0].data)) == words.sub(b"", plain.data)
    assert len({len(one.data) for one in packed}) > 1


def test_a_static_file_is_kept_for_a_year_under_its_own_name_alone(house: House):
    client = house.app.test_client()
    page = client.get("/signin").get_data(as_text=True)
    names = re.findall(r'"(/static/neaptide\.[0-9a-f]{12}\.css)"', page)
    assert len(names) == 1
    kept = client.get(names[0], headers=TAKES)
    assert (kept.status_code, kept.content_encoding) == (200, "gzip")
    assert (kept.cache_control.max_age, kept.cache_control.immutable) == (transfer.YEAR, True)
    assert b".mast" in gzip.decompress(kept.data)
    with client.get(names[0], headers=TAKES | {"If-None-Match": kept.headers["ETag"]}) as again:
        assert (again.status_code, again.headers["Vary"]) == (304, "Accept-Encoding")
    # What is not there may be tomorrow, and an error is a page like any other.
    assert client.get("/static/nothing.000000000000.css").headers["Cache-Control"] == "no-store"
    for other in ("/static/neaptide.css", "/static/neaptide.000000000000.css"):
        with client.get(other) as now:
            assert now.data == gzip.decompress(kept.data)
            assert now.cache_control.max_age is None
