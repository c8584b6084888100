"""Street maps from files: what is read of them, and what is said of a file that is none."""

from __future__ import annotations

import gzip
import sys

import numpy as np
import pytest

from ingest.errors import UnreadableFile
from ingest.ground.street_extract import streets_near
from ingest.ground.street_surface import Ground
from tests.street_map import northwards, osm

HERE = (-31.0, 21.0)
FAR = (-31.0, 21.5)
ROAD = {"highway": "tertiary", "surface": "asphalt"}
TRACK = {"highway": "track", "surface": "gravel"}


def columns(places):
    latitude, longitude = np.array(places, dtype=float).T
    return latitude, longitude


RIDDEN = [columns(northwards(HERE, 3000))]


@pytest.fixture
def extract(tmp_path):
    pytest.importorskip("osmium", reason="street maps need the extra 'surface'")

    def write(streets, name="plateau.osm", **more):
        path = tmp_path / name
        path.write_text(osm(streets, **more))
        return path

    return write


def grounds(path, tracks=RIDDEN):
    return [street.ground for street in streets_near(path, tracks)]


def test_only_streets_near_the_tracks_are_kept(extract):
    path = extract([(ROAD, northwards(HERE, 1000)), (TRACK, northwards(FAR, 1000))])
    assert grounds(path) == [Ground.PAVED]
    assert grounds(path, [*RIDDEN, columns(northwards(FAR, 10))]) == [Ground.PAVED, Ground.UNPAVED]
    assert grounds(path, []) == []
    (street,) = streets_near(path, RIDDEN)
    assert street.latitude_deg == pytest.approx(columns(northwards(HERE, 1000))[0], abs=1e-7)
    assert grounds(extract([(ROAD, northwards((HERE[0] + 0.1, HERE[1]), 1000))])) == []  # 8 km farther north


def test_a_street_drawn_with_few_points_is_near_what_it_passes(extract):
    past = [(HERE[0] - 0.5, HERE[1]), (HERE[0] + 0.5, HERE[1])]  # 110 km of straight road, two points
    assert grounds(extract([(TRACK, past)])) == [Ground.UNPAVED]
    few = [columns([(HERE[0] - 0.5, HERE[1]), (HERE[0] + 0.5, HERE[1])])]  # a straight ride, thinned
    assert grounds(extract([(ROAD, northwards((HERE[0] + 0.2, HERE[1]), 100))]), few) == [Ground.PAVED]


def test_what_is_no_street_to_ride_is_left_out(extract):
    path = extract(
        [
            ({"highway": "motorway", "surface": "asphalt"}, northwards(HERE, 1000)),
            ({"waterway": "river"}, northwards(HERE, 1000)),
            ({"highway": "path"}, northwards(HERE, 1000)),
        ]
    )
    assert grounds(path) == [None]


def test_nodes_beyond_the_extracts_edge_shorten_a_street_or_drop_it(extract):
    whole = northwards(HERE, 1000)
    (street,) = streets_near(extract([(ROAD, whole)], forgotten=2), RIDDEN)
    assert len(street.latitude_deg) == 3
    assert grounds(extract([(ROAD, whole)], forgotten=4)) == []


def test_a_packed_extract_is_read_as_well(extract, tmp_path):
    path = extract([(TRACK, northwards(HERE, 1000))])
    packed = tmp_path / "plateau.osm.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert grounds(packed) == [Ground.UNPAVED]
    osmium = pytest.importorskip("osmium")
    binary = tmp_path / "plateau.osm.pbf"
    with osmium.SimpleWriter(str(binary)) as writer:
        for entity in osmium.FileProcessor(str(path)):
            writer.add(entity)
    assert grounds(binary) == [Ground.UNPAVED]


def test_streets_at_the_date_line_are_near_tracks_on_its_other_side(extract):
    street = [(10.0, -179.999), (10.0, -179.99)]
    ridden = [columns([(10.0, 179.99), (10.0, 179.9999)])]
    assert grounds(extract([(ROAD, street)]), ridden) == [Ground.PAVED]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("plateau.txt", b"no map"),
        ("plateau.osm", b"<osm version='0.6'><node id='1'"),
        ("plateau.osm", b""),
        ("plateau.osm.pbf", b"\x00\x01garbage that is no map at all"),
        ("plateau.osm.gz", b"not packed"),
    ],
)
def test_a_file_that_is_no_map_is_refused_with_its_name(tmp_path, name, content):
    pytest.importorskip("osmium", reason="street maps need the extra 'surface'")
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(UnreadableFile, match="is no street map that can be read") as refused:
        streets_near(path, RIDDEN)
    assert refused.value.path == str(path)


def test_a_map_that_is_not_there_points_at_its_setting(tmp_path):
    pytest.importorskip("osmium", reason="street maps need the extra 'surface'")
    with pytest.raises(UnreadableFile, match=r"check 'surface\.street_extract'"):
        streets_near(tmp_path / "gone.osm.pbf", RIDDEN)
    with pytest.raises(UnreadableFile, match="there is no such street map"):
        streets_near(tmp_path, RIDDEN)


@pytest.mark.parametrize("missing", ["osmium", "shapely"])
def test_without_the_extra_it_says_how_to_get_it(tmp_path, monkeypatch, missing):
    monkeypatch.setitem(sys.modules, missing, None)
    with pytest.raises(UnreadableFile, match=r"pip install 'gritledger\[surface\]'"):
        streets_near(tmp_path / "plateau.osm", RIDDEN)
