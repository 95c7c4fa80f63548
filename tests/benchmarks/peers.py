"""The same ground by other ways: what each product may treat on each site [m2], keyed by (site, product).

Every way takes the same layers and rules: infested ground counted once, on turf that the product tolerates, less the
buffers of the keep-out features. Buffers are drawn alike (quad_segs and safe scale as weedzone's), so areas compare to
many digits.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import warnings
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from surveys import PRODUCTS, Drawn

from weedzone.ground.frame import LENGTH_ERROR
from weedzone.ground.shapes import QUAD_SEGS, SAFE_SCALE

SCALE = SAFE_SCALE * (1.0 + LENGTH_ERROR)
Areas = pd.Series


def _buffered(keep_out: gpd.GeoDataFrame, rules: dict[str, Any]) -> gpd.GeoDataFrame:
    metres = keep_out["kind"].map(rules["buffers"]).to_numpy() * SCALE
    return keep_out[["site"]].set_geometry(
        keep_out.geometry.buffer(metres, quad_segs=QUAD_SEGS), crs=keep_out.crs
    )


def geopandas_whole(drawn: Drawn) -> Areas:
    """Whole tables: dissolve, overlay with turf, overlay with buffers. Sites lie apart, so a join by place is one by
    site.
    """
    infested = drawn.infestations.dissolve("site").reset_index()[["site", "geometry"]]
    found = {}
    for name, rules in PRODUCTS.items():
        turf = drawn.turf[drawn.turf["turf"].isin(rules["turf"])][["geometry"]]
        on_turf = infested.overlay(turf, how="intersection", keep_geom_type=True)
        away = _buffered(drawn.keep_out, rules).dissolve("site")[["geometry"]]
        left = on_turf.overlay(away, how="difference", keep_geom_type=True)
        found[name] = left.assign(area=left.area).groupby("site")["area"].sum()
    return _joined(found)


def geopandas_by_site(drawn: Drawn) -> Areas:
    """A loop over sites, each by overlay and union: what most people write."""
    turf, keep_out = dict(list(drawn.turf.groupby("site"))), dict(list(drawn.keep_out.groupby("site")))
    found: dict[str, dict[str, float]] = {name: {} for name in PRODUCTS}
    for site, patches in drawn.infestations.groupby("site"):
        infested = patches.dissolve()[["geometry"]]
        for name, rules in PRODUCTS.items():
            grass = turf[site][turf[site]["turf"].isin(rules["turf"])][["geometry"]]
            if not len(grass):
                continue
            on_turf = infested.overlay(grass, how="intersection", keep_geom_type=True)
            away = _buffered(keep_out[site], rules)[["geometry"]]
            left = on_turf.overlay(away, how="difference", keep_geom_type=True)
            found[name][site] = float(left.area.sum())
    return _joined({name: pd.Series(areas, dtype=float) for name, areas in found.items()})


def _joined(found: dict[str, Areas]) -> Areas:
    table = pd.concat(found, names=["product", "site"]).rename("area")
    return table[table > 0]


def floor(drawn: Drawn) -> tuple[Areas, float]:
    """The bare engine calls that no method can avoid, on input already grouped; areas and processor seconds.

    Union of overlapping patches, intersection with turf that does not wholly hold them, buffers of features within
    reach, their union where they overlap, and one difference for each piece and product. Finding the pairs is not
    counted, nor are checks, tables, names, or the ledger.
    """
    from time import thread_time

    from weedzone.ground.shapes import areal, near_pairs, overlapping, pairs

    spent = 0.0

    def counted(call: Any, *arguments: Any, **options: Any) -> Any:
        nonlocal spent
        begun = thread_time()
        result = call(*arguments, **options)
        spent += thread_time() - begun
        return result

    sites, site = np.unique(drawn.infestations["site"], return_inverse=True)
    number = {name: index for index, name in enumerate(sites)}

    def of(frame: gpd.GeoDataFrame) -> Any:
        return np.array([number[name] for name in frame["site"]], dtype=np.intp)

    origin = np.full((len(sites), 2), np.inf)
    np.minimum.at(origin, site, np.round(shapely.bounds(drawn.infestations.geometry.to_numpy())[:, :2]))

    def local(frame: gpd.GeoDataFrame) -> Any:
        shapes = frame.geometry.to_numpy()
        shift = np.repeat(origin[of(frame)], shapely.get_num_coordinates(shapes), axis=0)
        return shapely.transform(shapes, lambda xy: xy - shift)

    def united(shapes: Any, group: Any) -> tuple[Any, Any]:
        from weedzone.ground.shapes import clusters

        i, j = overlapping(shapes, group)
        label = clusters(len(shapes), i, j)
        order = np.argsort(label, kind="stable")
        _, start, count = np.unique(label[order], return_index=True, return_counts=True)
        merged = shapes[order[start]].copy()
        many = count > 1
        if many.any():
            member = np.repeat(many, count)
            dense = np.repeat(np.cumsum(many) - 1, count)[member]
            bags = shapely.geometrycollections(shapes[order[member]], indices=dense)
            merged[many] = areal(counted(shapely.union_all, bags[:, np.newaxis], axis=1))
        return merged, group[order[start]]

    patches, patch_site = united(local(drawn.infestations), site)
    turf, turf_site = local(drawn.turf), of(drawn.turf)
    keep, keep_site = local(drawn.keep_out), of(drawn.keep_out)
    shapely.prepare(turf)
    i, j = pairs(patches, patch_site, turf, turf_site)
    meets = shapely.intersects(turf[j], patches[i])
    i, j = i[meets], j[meets]
    whole = shapely.covers(turf[j], patches[i])
    pieces = np.concatenate(
        [patches[i[whole]], areal(counted(shapely.intersection, patches[i[~whole]], turf[j[~whole]]))]
    )
    piece_site = np.concatenate([patch_site[i[whole]], patch_site[i[~whole]]])
    grass = drawn.turf["turf"].to_numpy()[np.concatenate([j[whole], j[~whole]])]
    found = {}
    for name, rules in PRODUCTS.items():
        mine = np.flatnonzero(np.isin(grass, rules["turf"]) & ~shapely.is_empty(pieces))
        ground, ground_site = pieces[mine].copy(), piece_site[mine]
        metres = drawn.keep_out["kind"].map(rules["buffers"]).to_numpy() * SCALE
        _, used = near_pairs(ground, ground_site, keep, keep_site, metres)
        used = np.unique(used)
        away = counted(shapely.buffer, keep[used], metres[used], quad_segs=QUAD_SEGS)
        away, away_site = united(away, keep_site[used])
        shapely.prepare(away)
        i, j = pairs(ground, ground_site, away, away_site)
        meets = shapely.intersects(away[j], ground[i])
        i, j = i[meets], j[meets]
        rows, count = np.unique(i, return_counts=True)
        bags = shapely.multipolygons(*_parts(away[j], np.repeat(np.arange(len(rows)), count)))
        ground[rows] = areal(counted(shapely.difference, ground[rows], bags))
        found[name] = pd.Series(np.bincount(ground_site, shapely.area(ground), len(sites)), index=sites)
        found[name].index.name = "site"
    return _joined(found), spent


def _parts(shapes: Any, row: Any) -> tuple[Any, Any]:
    parts, index = shapely.get_parts(shapes, return_index=True)
    return parts, row[index]


POSTGIS_BIN = Path("/usr/lib/postgresql/15/bin")


class PostGIS:
    """A database of its own, on a socket in a scratch folder and no network at all; gone when it is closed."""

    def __init__(self) -> None:
        import psycopg

        self.folder = Path(tempfile.mkdtemp())
        data = self.folder / "data"
        self.user = {"user": "postgres"} if os.geteuid() == 0 else {}
        if self.user:
            shutil.chown(self.folder, "postgres")
        self._run("initdb", "-D", data, "-U", "postgres", "-A", "trust")
        settings = (
            f"-k {self.folder} -c listen_addresses='' -c shared_buffers=1GB -c work_mem=256MB -c fsync=off"
        )
        self._run("pg_ctl", "-D", data, "-w", "-l", self.folder / "log", "-o", settings, "start")
        self.connection = psycopg.connect(
            host=str(self.folder), user="postgres", dbname="postgres", autocommit=True
        )
        self.connection.execute("create extension postgis")

    def _run(self, program: str, *arguments: object) -> None:
        subprocess.run(
            [str(POSTGIS_BIN / program), *map(str, arguments)],
            check=True,
            capture_output=True,
            cwd=self.folder,
            **self.user,
        )

    def load(self, drawn: Drawn) -> None:
        """Tables with the site's number first, as a careful user would lay them out; not timed."""
        for name, column in (("turf", "turf"), ("infestations", "weed"), ("keep_out", "kind")):
            frame = getattr(drawn, name)
            self.connection.execute(f"drop table if exists {name}")
            self.connection.execute(f"create table {name} (site text, what text, shape geometry)")
            with self.connection.cursor().copy(f"copy {name} from stdin") as copy:
                for row in zip(
                    frame["site"], frame[column], shapely.to_wkb(frame.geometry, hex=True), strict=True
                ):
                    copy.write_row(row)
            self.connection.execute(
                f"create index on {name} (site); create index on {name} using gist (shape)"
            )
            self.connection.execute(f"analyze {name}")
        self.connection.execute(
            "drop table if exists rule; create table rule (product text, what text, metres float)"
        )
        self.connection.execute("drop table if exists grass; create table grass (product text, what text)")
        for product, rules in PRODUCTS.items():
            for kind, metres in rules["buffers"].items():
                self.connection.execute(
                    "insert into rule values (%s, %s, %s)", (product, kind, metres * SCALE)
                )
            for turf in rules["turf"]:
                self.connection.execute("insert into grass values (%s, %s)", (product, turf))
        self.connection.execute("analyze")

    def areas(self) -> Areas:
        """Cut by each turf polygon, less the union of the buffers that the piece meets."""
        rows = self.connection.execute(
            f"""
            with patch as materialized (
                select site, st_union(shape) as shape from infestations group by site
            ), piece as materialized (
                select t.site, t.what, st_intersection(p.shape, t.shape) as shape
                from patch p join turf t on t.site = p.site and st_intersects(p.shape, t.shape)
            ), mine as (
                select g.product, piece.site, piece.shape from piece join grass g on g.what = piece.what
            )
            select mine.product, mine.site, sum(st_area(
                case when away.shape is null then mine.shape else st_difference(mine.shape, away.shape) end))
            from mine left join lateral (
                select st_union(st_buffer(k.shape, r.metres, 'quad_segs={QUAD_SEGS}')) as shape
                from keep_out k join rule r on r.product = mine.product and r.what = k.what
                where k.site = mine.site and st_dwithin(k.shape, mine.shape, r.metres)
            ) away on true
            group by 1, 2
            """
        ).fetchall()
        table = pd.DataFrame(rows, columns=["product", "site", "area"]).set_index(["product", "site"])["area"]
        return table[table > 0]

    def close(self) -> None:
        """Stop the server and remove its folder."""
        self.connection.close()
        self._run("pg_ctl", "-D", self.folder / "data", "-m", "immediate", "stop")
        shutil.rmtree(self.folder, ignore_errors=True)


def sedona(drawn: Drawn) -> Any:
    """The same SQL on SedonaDB, a columnar engine whose wheel carries GEOS; None where it is not installed."""
    try:
        import sedonadb
    except ImportError:
        return None
    context = sedonadb.connect()
    for name, column in (("turf", "turf"), ("infestations", "weed"), ("keep_out", "kind")):
        frame = getattr(drawn, name)
        plain = gpd.GeoDataFrame({"site": frame["site"].astype(str), "what": frame[column].astype(str)})
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            made = plain.set_geometry(gpd.GeoSeries(frame.geometry.to_numpy())).rename_geometry("shape")
            context.create_data_frame(made).to_view(name, overwrite=True)
    rules = pd.DataFrame(
        [
            (product, kind, m * SCALE)
            for product, one in PRODUCTS.items()
            for kind, m in one["buffers"].items()
        ],
        columns=["product", "what", "metres"],
    )
    grass = pd.DataFrame(
        [(product, turf) for product, one in PRODUCTS.items() for turf in one["turf"]],
        columns=["product", "what"],
    )
    context.create_data_frame(rules).to_view("rule", overwrite=True)
    context.create_data_frame(grass).to_view("grass", overwrite=True)

    def areas() -> Areas:
        table = context.sql(
            f"""
            with patch as (select site, st_union_agg(shape) as shape from infestations group by site),
            piece as (
                select t.site, t.what, st_intersection(p.shape, t.shape) as shape
                from patch p join turf t on t.site = p.site where st_intersects(p.shape, t.shape)
            ),
            mine as (select g.product, piece.site, piece.shape from piece join grass g on g.what = piece.what),
            ground as (select product, site, st_union_agg(shape) as shape from mine group by product, site),
            away as (
                select r.product, k.site, st_union_agg(st_buffer(k.shape, r.metres, 'quad_segs={QUAD_SEGS}')) as shape
                from keep_out k join rule r on r.what = k.what group by r.product, k.site
            )
            select ground.product, ground.site, st_area(st_difference(ground.shape, away.shape)) as area
            from ground join away on away.product = ground.product and away.site = ground.site
            union all
            select ground.product, ground.site, st_area(ground.shape) as area
            from ground left join away on away.product = ground.product and away.site = ground.site
            where away.site is null
            """
        ).to_pandas()
        table = table.set_index(["product", "site"])["area"]
        return table[table > 0]

    return areas
