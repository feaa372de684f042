"""``padlab bench``: the local page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from padlab.cli.words import WholeNumber, plain
from padlab.words import quoted

if TYPE_CHECKING:
    from padlab.bench.door import Place


@click.command(name="bench")
@click.argument("shelf", type=click.Path(path_type=Path), metavar="SHELF")
@click.option("--rig", metavar="RIG", help="A name (padlab rigs lists them) or a TOML file; otherwise it is "
                                            "chosen on the page.")
@click.option("--url", "urls", multiple=True, metavar="[INSTRUMENT=]URL",
              help="The port, where it is another one than the rig file says.")
@click.option("--port", type=WholeNumber(0, 65535), default=8642, show_default=True, metavar="N",
              help="Port of the page; 0: any that is free.")
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS",
              help="An address of this machine that others reach: there the page can be watched, and the run "
                   "stopped; nothing else.")
@click.option("--no-open", is_flag=True, help="Print the opening link, but open no browser.")
def command(shelf: Path, rig: str | None, urls: tuple[str, ...], port: int, host: str, no_open: bool) -> None:
    """Open a page in the browser that does the job: look on while you press, fit, compare.

    It is served to this machine alone. The opening link is printed and serves once; after that the newest
    printed one does. Ctrl-C ends it.

    padlab bench shelf --rig bench --no-open
    """
    import tempfile
    import threading
    import webbrowser

    from padlab.bench.door import Door
    from padlab.bench.serve import need_libraries, places_at, serve
    from padlab.errors import InputError

    need_libraries()
    from padlab.bench.app import make_app
    from padlab.bench.bench import Bench
    from padlab.bench.work import Works
    from padlab.capture.rig import read_rig

    if urls and rig is None:
        raise click.UsageError("--url goes with --rig")
    described = read_rig(rig).with_urls(urls) if rig is not None else None
    if shelf.exists() and not shelf.is_dir():
        raise InputError(f"{quoted(shelf)} is no folder", expected="a shelf", seen="a file")
    places, sockets = places_at(host, port)
    bench, ending = Bench(shelf, described), threading.Event()

    def say(place: Place) -> None:
        click.echo(plain(door.link(place)))

    def used(place: Place) -> None:
        click.echo("that link was used; the next one:", err=True)
        say(place)

    def ready() -> None:
        if len(places) > 1:
            click.echo(f"CAUTION: whoever on the network has the second link can watch this bench at "
                       f"{places[1].host} and stop a run, and what they see travels unencrypted.", err=True)
        click.echo("open this link in a browser; it serves once. Ctrl-C ends the page.", err=True)
        for place in places:
            say(place)
        if not no_open:
            webbrowser.open(door.link(places[0]))

    with tempfile.TemporaryDirectory(prefix="padlab-bench-", ignore_cleanup_errors=True) as made:
        works = Works(Path(made))
        spool = Path(made) / "spool"
        spool.mkdir()
        door = Door(make_app(bench, works, is_ending=ending.is_set), places, on_used=used, spool=spool)
        bench.open()
        try:
            serve(door, sockets, on_ready=ready, on_ending=ending.set)
        finally:
            ending.set()
            bench.close()
            works.close()
    click.echo("the page has ended", err=True)
