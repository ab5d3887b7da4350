"""The command line. Each command reads its arguments, calls one job, and shows the answer; nothing is computed here.

Heavy imports live in the commands, so that help and completion stay quick. Words and progress go to stderr, the answer to stdout.

Exit codes: 0 done; 1 unexpected fault; 2 wrong usage; 3 not yet (no verdict); 4 need not met, or a change was found; 5 gateway
unreachable or refused; 6 far end unreachable; 7 would pass the allowance; 8 nothing recognised in a text; 130 interrupted, all finished tests saved.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from bandwright import __version__
from bandwright.errors import AllowanceError, BandwrightError, FarEndError, GatewayError, UserFault

__all__ = ["app", "end", "run"]

app = typer.Typer(
    name="bandwright",
    help="Set up LTE and 5G fixed wireless so that it does what its users need.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Site = Annotated[Path, typer.Option("--site", "-C", help="Folder of the site (site.toml, records.db).")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]
HERE = Path()


def run() -> None:
    """Run the command line and end with the documented exit code."""
    try:
        app(standalone_mode=True)
    except (BandwrightError, KeyboardInterrupt) as error:
        raise SystemExit(end(error)) from None
    except BrokenPipeError:
        raise SystemExit(0) from None


def end(error: BandwrightError | KeyboardInterrupt) -> int:
    """Say what ended the program, and return the documented exit code."""
    if isinstance(error, KeyboardInterrupt):
        print("Interrupted. All finished tests are saved; the same command goes on.", file=sys.stderr)
        return 130
    print(f"{error}", file=sys.stderr)
    return _code_of(error)


def _code_of(error: BandwrightError) -> int:
    if isinstance(error, AllowanceError):
        return 7
    if isinstance(error, UserFault):
        return 2
    if isinstance(error, GatewayError):
        return 5
    return 6 if isinstance(error, FarEndError) else 1


def _version(value: bool) -> None:
    if value:
        print(f"bandwright {__version__}")
        raise typer.Exit


@app.callback()
def main(version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")] = False) -> None:
    """Read the radio, run a fair trial of setups, and say which one serves best, by how much, and how sure that is."""


@app.command()
def demo(
    seed: Annotated[int | None, typer.Option(help="Another draw of the simulated site.")] = None,
    folder: Annotated[Path | None, typer.Option(help="Where its workspace goes; a fresh temporary folder by default.")] = None,
    page: Annotated[bool, typer.Option(help="Open the page at the end and keep serving it until Ctrl-C.")] = True,
) -> None:
    """Walk through the whole job on a simulated site, in about half a minute."""
    from bandwright.cli.demo import show_demo

    show_demo(seed=seed, folder=folder, page=page)


@app.command()
def new(folder: Annotated[Path, typer.Argument(help="Folder to make.")]) -> None:
    """Write a commented site.toml to fill in."""
    from bandwright.jobs.declare import new as declare_new

    path = declare_new(folder)
    print(f"{path} is written. Fill it in, then: bandwright check --site {folder}")


@app.command()
def check(
    site: Site = HERE,
    kinds: Annotated[bool, typer.Option("--kinds", help="List the gateway kinds with their settings, and stop.")] = False,
    settings: Annotated[bool, typer.Option("--settings", help="List the settings, and stop.")] = False,
    pair: Annotated[str | None, typer.Option(help="Keep the pairing string of your far end for this site.")] = None,
    keep_secret: Annotated[str | None, typer.Option(help="Keep a secret under this name; it is asked for.")] = None,
    boot_unit: Annotated[bool, typer.Option("--boot-unit", help="Print what puts a gateway back at boot after a power cut, and stop.")] = False,
    as_json: Json = False,
) -> None:
    """Say whether gateway, far end, disk and clock can be used, and what this computer has."""
    from bandwright.cli.checking import show_boot_unit, show_check, show_kinds, show_settings

    if kinds:
        show_kinds()
    elif boot_unit:
        show_boot_unit(site)
    elif settings:
        show_settings()
    else:
        raise typer.Exit(show_check(site, pair=pair, keep_secret=keep_secret, as_json=as_json))


@app.command()
def reading(
    site: Site = HERE,
    paste: Annotated[bool, typer.Option("--paste", help="Read text from standard input; nothing needs to be declared.")] = False,
    source: Annotated[str | None, typer.Option("--from", help="Key of the declared gateway to ask.")] = None,
    picture: Annotated[Path | None, typer.Option(help="Screenshot of a status page (PNG, JPEG); each value is put to you. Needs the extra ocr.")] = None,
    as_json: Json = False,
) -> None:
    """Explain what the radio says: pasted text, a picture, or a declared gateway's answer. Ends with 8 where nothing is recognised."""
    from bandwright.cli.looking import show_reading

    raise typer.Exit(show_reading(site, paste=paste, source=source, picture=picture, as_json=as_json))


@app.command()
def enter(
    figures: Annotated[list[str], typer.Argument(help="Figures, like goodput_down_mbps=48 goodput_up_mbps=7.")],
    by: Annotated[str, typer.Option(help="Who read them.")],
    setup: Annotated[str | None, typer.Option(help="Under which setup, like window/automatic.")] = None,
    at: Annotated[str | None, typer.Option(help="When, local time of the site, like 2026-11-25T18:30.")] = None,
    site: Site = HERE,
) -> None:
    """Keep figures read elsewhere: marked as entered, never compared with measured ones."""
    from bandwright.cli.measuring import keep_entered

    keep_entered(site, figures=figures, by=by, setup=setup, at=at)


@app.command()
def measure(
    site: Site = HERE,
    pair: Annotated[str | None, typer.Option(help="Pairing string of a far end; without a site, this is all it needs.")] = None,
    size: Annotated[str, typer.Option(help="light, usual or full.")] = "usual",
    megabytes: Annotated[float | None, typer.Option(help="Take no more than so many MB.")] = None,
    seconds: Annotated[float | None, typer.Option(help="Take no longer than so many seconds.")] = None,
    rig: Annotated[str | None, typer.Option(help="Through which rig.")] = None,
    setup: Annotated[str | None, typer.Option(help="Which setup is in force, where you know it.")] = None,
    responsiveness: Annotated[bool, typer.Option("--responsiveness", help="Also count round trips per minute under load, where the far end offers it.")] = False,
    as_json: Json = False,
) -> None:
    """Measure once, now: goodput, delay idle and under load, and loss, in both directions."""
    from bandwright.cli.measuring import show_measure

    raise typer.Exit(show_measure(site, pair=pair, size=size, megabytes=megabytes, seconds=seconds, rig=rig, setup=setup, responsiveness=responsiveness, as_json=as_json))


@app.command()
def setups(site: Site = HERE, as_json: Json = False) -> None:
    """List the declared setups: what each is, and what a change to it costs."""
    from bandwright.cli.campaigning import show_setups

    show_setups(site, as_json=as_json)


@app.command()
def propose(
    site: Site = HERE,
    gateway: Annotated[str | None, typer.Option(help="On which gateway; the one that can be tuned by default.")] = None,
    load: Annotated[bool, typer.Option("--load", help="Load the line for 5 s first, so that bands used under load show.")] = False,
    accept: Annotated[str | None, typer.Option(help='Write these into site.toml: "all", keys or numbers with commas.')] = None,
    as_json: Json = False,
) -> None:
    """Say which modes, bands and anchors are worth trying here; what you accept is written into site.toml."""
    from bandwright.cli.proposing import show_propose

    show_propose(site, gateway=gateway, load=load, accept=accept, as_json=as_json)


@app.command()
def predict(
    site: Site = HERE,
    paste: Annotated[bool, typer.Option("--paste", help="Read the present state from standard input.")] = False,
    rig: Annotated[str | None, typer.Option(help="The rig that is in place; the mounted one by default.")] = None,
    as_json: Json = False,
) -> None:
    """Say whether another antenna, place, cable or rig would help, before anyone buys or climbs."""
    from bandwright.cli.predicting import show_predict

    show_predict(site, paste=paste, rig=rig, as_json=as_json)


@app.command()
def place(
    site: Site = HERE,
    rig: Annotated[str | None, typer.Option(help="Whose antenna height counts; the highest declared by default.")] = None,
    as_json: Json = False,
) -> None:
    """Say which way the mast is, how clear the way is, and what each metre of height brings, before anybody climbs."""
    from bandwright.cli.placing import show_place

    show_place(site, rig=rig, as_json=as_json)


@app.command()
def walk(
    spots: Annotated[list[str], typer.Argument(help="Four to eight places where the gateway could stand.")],
    site: Site = HERE,
    rig: Annotated[str | None, typer.Option(help="Whose gateway is carried; the first declared by default.")] = None,
    attic: Annotated[list[str] | None, typer.Option(help="Which of the places are in an attic.")] = None,
    accept: Annotated[bool, typer.Option("--accept", help="Write the best two places into site.toml as rigs, without asking.")] = False,
    as_json: Json = False,
) -> None:
    """Find the best place in the house, there and back, before anybody climbs."""
    from bandwright.cli.guiding import show_walk

    show_walk(site, spots=spots, rig=rig, attic=attic or [], accept=accept, as_json=as_json)


@app.command()
def aim(
    rig: Annotated[str, typer.Argument(help="The rig whose antenna is turned.")],
    site: Site = HERE,
    from_deg: Annotated[float, typer.Option("--from", help="First heading, degrees true.")] = 0.0,
    arc_deg: Annotated[float, typer.Option("--arc", help="How far round; 180 on a wall.")] = 360.0,
    as_json: Json = False,
) -> None:
    """Find the best heading of an antenna: turn, hold still, read."""
    from bandwright.cli.guiding import show_aim

    show_aim(site, rig=rig, from_deg=from_deg, arc_deg=arc_deg, as_json=as_json)


@app.command()
def design(site: Site = HERE, as_json: Json = False) -> None:
    """Say what a campaign would take, before it starts: chance of a clear answer, days, data, climbs."""
    from bandwright.cli.campaigning import show_design

    show_design(site, as_json=as_json)


@app.command(name="run")
def run_campaign(
    site: Site = HERE,
    fresh: Annotated[bool, typer.Option("--fresh", help="Start a new campaign instead of going on with the last.")] = False,
    put_back: Annotated[bool, typer.Option("--put-back", help="Put back what the gateways were set to before the last campaign, and stop.")] = False,
    as_json: Json = False,
) -> None:
    """Run the campaign, or go on with it; Ctrl-C at any moment keeps all finished tests."""
    from bandwright.cli.campaigning import show_put_back, show_run

    if put_back:
        show_put_back(site)
        return
    raise typer.Exit(show_run(site, fresh=fresh, as_json=as_json))


@app.command()
def verdict(
    site: Site = HERE,
    campaign: Annotated[str | None, typer.Option(help="Which campaign; the latest by default.")] = None,
    seed: Annotated[int | None, typer.Option(help="Another seed for the draws; the design's own by default.")] = None,
    brief: Annotated[bool, typer.Option("--brief", help="The sentences only.")] = False,
    as_json: Json = False,
) -> None:
    """Say which setup serves best, by how much, and how sure that is."""
    from bandwright.cli.campaigning import show_verdict

    raise typer.Exit(show_verdict(site, campaign=campaign, seed=seed, brief=brief, as_json=as_json))


@app.command()
def watch(
    site: Site = HERE,
    setup: Annotated[str | None, typer.Option(help="The setup in use; the one declared in use by default.")] = None,
    days: Annotated[float | None, typer.Option(help="Stop after so many days; until stopped by default.")] = None,
    outages: Annotated[bool, typer.Option("--outages", help="Print the outages and the availability seen so far, and stop.")] = False,
    document: Annotated[Path | None, typer.Option(help="Write them as a document to hand over, .html or .pdf, and stop.")] = None,
    as_json: Json = False,
) -> None:
    """Keep watch: readings, outages and light tests within a share of the plan; says when the answer has changed."""
    from bandwright.cli.watching import show_outages, show_watch

    if outages or document is not None:
        show_outages(site, out=document, as_json=as_json)
    else:
        raise typer.Exit(show_watch(site, setup=setup, days=days, as_json=as_json))


@app.command()
def again(
    site: Site = HERE,
    setup: Annotated[str | None, typer.Option(help="The setup in use; the one declared in use by default.")] = None,
    tests: Annotated[int, typer.Option(help="How many tests; six take ten minutes.")] = 6,
    megabytes: Annotated[float | None, typer.Option(help="Take no more than so many MB in all.")] = None,
    as_json: Json = False,
) -> None:
    """Recheck in ten minutes whether it is as it was in the campaign, or worse, and probably why."""
    from bandwright.cli.watching import show_again

    raise typer.Exit(show_again(site, setup=setup, tests=tests, megabytes=megabytes, as_json=as_json))


@app.command()
def places(
    folder: Annotated[Path, typer.Argument(help="Folder that holds the folders of your places.")],
    page: Annotated[Path | None, typer.Option(help="Also write it as one page, .html, that any browser opens without a server.")] = None,
    as_json: Json = False,
) -> None:
    """Show all my places at a glance: each one's last verdict, its age, and the next thing to do."""
    from bandwright.cli.places import show_places

    show_places(folder, page=page, as_json=as_json)


@app.command()
def history(site: Site = HERE, last: Annotated[int, typer.Option(help="How many.")] = 20, as_json: Json = False) -> None:
    """List what was measured, newest first."""
    from bandwright.cli.campaigning import show_history

    show_history(site, last=last, as_json=as_json)


@app.command()
def report(
    out: Annotated[Path, typer.Argument(help="File to write: .html, or .pdf.")],
    site: Site = HERE,
    campaign: Annotated[str | None, typer.Option(help="Which campaign; the latest by default.")] = None,
) -> None:
    """Write a campaign's report as one file."""
    from bandwright.cli.campaigning import write_report

    write_report(site, out=out, campaign=campaign)


@app.command(name="export")
def export_share(
    out: Annotated[Path, typer.Argument(help="File to write, like place.zip.")],
    site: Site = HERE,
    campaign: Annotated[str | None, typer.Option(help='One campaign by its key, or "latest"; everything by default.')] = None,
    help_parcel: Annotated[bool, typer.Option("--help-parcel", help="What a helper needs to see: checks, readings, the last measurements.")] = False,
    proposal: Annotated[bool, typer.Option("--proposal", help="The campaign that site.toml describes, for somebody else to accept.")] = False,
    whole: Annotated[bool, typer.Option("--whole", help="Leave nothing out but secrets.")] = False,
    as_json: Json = False,
) -> None:
    """Write the workspace or a campaign as one file, redacted."""
    from bandwright.cli.sharing import show_export

    show_export(site, out=out, campaign=campaign, help_parcel=help_parcel, proposal=proposal, whole=whole, as_json=as_json)


@app.command(name="import")
def import_share(
    file: Annotated[Path, typer.Argument(help="File that export wrote.")],
    site: Site = HERE,
    accept: Annotated[bool, typer.Option("--accept", help="Let a proposed campaign enter; without it, it is only shown.")] = False,
    as_json: Json = False,
) -> None:
    """Take such a file: add what is missing, write over nothing."""
    from bandwright.cli.sharing import show_import

    raise typer.Exit(show_import(site, file=file, accept=accept, as_json=as_json))


@app.command()
def serve(
    site: Site = HERE,
    lan: Annotated[bool, typer.Option("--lan", help="Let phones on the same network in, with a one-time code.")] = False,
    port: Annotated[int | None, typer.Option(help="Port; the setting page_port by default.")] = None,
) -> None:
    """Serve the page of this site on this computer."""
    from bandwright.cli.serving import serve_page

    serve_page(site, lan=lan, port=port)


@app.command(name="far-end")
def far_end(
    port: Annotated[int, typer.Option(help="TCP and UDP port.")] = 8620,
    listen: Annotated[str, typer.Option(help="Address to listen on.")] = "::",
    folder: Annotated[Path, typer.Option(help="Where its keys and certificate are kept.")] = Path("far-end"),
    address: Annotated[str | None, typer.Option(help="Name or address under which near ends reach it; goes into the pairing string.")] = None,
    label: Annotated[str, typer.Option(help="A name for a new key.")] = "first site",
    new_key: Annotated[bool, typer.Option("--new-key", help="Make another key, print its pairing string, and stop.")] = False,
    revoke: Annotated[str | None, typer.Option(help="Revoke the key of this label, and stop.")] = None,
    monthly_gb: Annotated[float | None, typer.Option(help="Stop measuring when a month's transfer passes this.")] = None,
    responsiveness: Annotated[str, typer.Option(help="off, paired (for near ends that proved themselves) or public: also answer responsiveness tests.")] = "off",
) -> None:
    """Run the other end of measurements, on a rented server or in a second home."""
    from bandwright.cli.serving import start_far_end

    start_far_end(port=port, listen=listen, folder=folder, address=address, label=label, new_key=new_key, revoke=revoke, monthly_gb=monthly_gb, responsiveness=responsiveness)


@app.command()
def push(site: Site = HERE, as_json: Json = False) -> None:
    """Send what is kept here and not yet there to the hub, redacted; its link is the secret named hub."""
    from bandwright.cli.hubbing import show_push

    raise typer.Exit(show_push(site, as_json=as_json))


@app.command()
def hub(
    database: Annotated[str, typer.Argument(help="URL of its PostgreSQL database, like postgresql+psycopg://hub@/hub.")],
    address: Annotated[str, typer.Option(help="https:// address under which sites reach it; goes into their links.")] = "",
    port: Annotated[int, typer.Option(help="Port.")] = 8621,
    listen: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    certificate: Annotated[Path | None, typer.Option(help="Certificate (PEM), where no other server does TLS.")] = None,
    key: Annotated[Path | None, typer.Option(help="Its private key (PEM).")] = None,
    add_site: Annotated[str | None, typer.Option(help="Add a site of this name, print its link once, and stop.")] = None,
    rotate: Annotated[str | None, typer.Option(help="Give this site a new link, revoke its old ones, and stop.")] = None,
    revoke: Annotated[str | None, typer.Option(help="Revoke this site's credentials, and stop.")] = None,
    sites: Annotated[bool, typer.Option("--sites", help="List the sites, those silent longest first, and stop.")] = False,
    as_json: Json = False,
) -> None:
    """Take what many sites push, and say which of them have fallen silent."""
    from bandwright.cli.hubbing import start_hub

    start_hub(database=database, address=address, port=port, listen=listen, certificate=certificate, key=key, add=add_site, rotate=rotate, revoke=revoke, sites=sites, as_json=as_json)


@app.command()
def twin(
    folder: Annotated[Path, typer.Argument(help="Folder for the twin's workspace.")],
    seed: Annotated[int | None, typer.Option(help="Another draw of the simulated site.")] = None,
) -> None:
    """Run a simulated site in real time: its modem and its far end listen on this computer."""
    from bandwright.cli.serving import run_twin

    run_twin(folder=folder, seed=seed)




if __name__ == "__main__":
    run()
