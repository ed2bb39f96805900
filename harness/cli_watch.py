"""``nightbench watch``: a run seen from another terminal, or on a page; and a stop that is asked for from there."""

from __future__ import annotations

import click

from harness.options import RUN
from harness.telling import words


@click.command(short_help="Watch a run that is on; stop it from another terminal.")
@RUN
@click.option("--page", is_flag=True, help="Serve a page with plots and a stop button, on this machine only.")
@click.option("--listen", default="127.0.0.1", show_default=True, metavar="ADDRESS", help="Where the page listens.")
@click.option("--port", type=click.IntRange(0, 65535), default=0, metavar="N", help="Its port; 0: any that is free.")
@click.option("--name", "names", multiple=True, metavar="HOST", help="Another name it is reached by; repeatable.")
@click.option("--stop", is_flag=True, help="Ask the run to switch off and end, as Ctrl-C does where it runs.")
def watch(folder: str, page: bool, listen: str, port: int, names: tuple[str, ...], stop: bool) -> None:
    """Watch a run in this terminal, in plain lines in a pipe, or on a page. It reads the run's folder and nothing else.

    A page that others can reach (--listen) wants the key that is printed with its address.
    """
    from harness.folder import RunFolder
    from harness.stop_request import ask_stop

    place = RunFolder.open(folder)
    if stop:
        ask_stop(place, by="another terminal (watch --stop)")
        words(f"asked to stop: {place.path}; watch it until it says that off was confirmed")
        return
    if page:
        from harness.page.serving import serve_page

        serve_page(place, address=listen, port=port, names=names, say=words)
        return
    from harness.watch_terminal import watch_run

    watch_run(place)
