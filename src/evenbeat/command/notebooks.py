"""The commands ``evenbeat notebooks`` and ``evenbeat demo``: copies to learn from; originals stay clean."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from evenbeat.command.arguments import DONE
from evenbeat.errors import InputError

NOTEBOOKS_FOLDER = "evenbeat-notebooks"
DEMO_FOLDER = "evenbeat-demo"


def add_notebooks(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "notebooks",
        help="open the notebooks in JupyterLab, on copies of your own",
        description=(
            "Copy the notebooks into a folder to work in and open JupyterLab there. A notebook that you "
            "changed is never overwritten."
        ),
        epilog="example: evenbeat notebooks my-notebooks --no-browser --port 8890",
    )
    parser.set_defaults(run=_notebooks)
    _add_folder(parser, NOTEBOOKS_FOLDER)
    parser.add_argument("--copy-only", action="store_true", help="make the copies and stop")
    parser.add_argument(
        "--pages",
        metavar="PAGES",
        help="run the notebooks and write them with what they show as HTML into this folder, some minutes; "
        "no JupyterLab is needed to read them",
    )
    group = parser.add_argument_group("how JupyterLab starts")
    group.add_argument("--no-browser", action="store_true", help="do not open a browser; print the address")
    group.add_argument("--port", type=int, metavar="N", help="port to listen on (default: JupyterLab's own)")
    group.add_argument("--allow-root", action="store_true", help="run as root all the same")
    group.add_argument(
        "--lab-option",
        action="append",
        default=[],
        metavar="OPTION",
        help="passed on as it is, may be repeated: --lab-option=--ServerApp.port_retries=0",
    )


def add_demo(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "demo",
        help="copy the invented demonstration logs into a folder",
        description="Copy the invented logs, their sheet and their truth into a folder to try things on.",
        epilog="example: evenbeat demo && evenbeat assess evenbeat-demo/kittiwake.csv.gz --tolerance 4e-9",
    )
    parser.set_defaults(run=_demo)
    _add_folder(parser, DEMO_FOLDER)


def _add_folder(parser: argparse.ArgumentParser, default: str) -> None:
    parser.add_argument("folder", metavar="FOLDER", nargs="?", default=default, help=f"default: ./{default}")
    parser.add_argument(
        "--renew",
        action="store_true",
        help="put the originals there again; what you changed is kept beside them under another name",
    )


def _demo(arguments: argparse.Namespace) -> int:
    from evenbeat.shipped.files import demo_files, working_copy

    print(working_copy(demo_files(), arguments.folder, renew=arguments.renew))
    return DONE


def _notebooks(arguments: argparse.Namespace) -> int:
    from evenbeat.shipped.files import notebook_files, working_copy

    if arguments.pages:
        from evenbeat.interactive.pages import write_page

        for notebook in notebook_files():
            print(write_page(notebook, Path(arguments.pages)), flush=True)
        return DONE
    if not arguments.copy_only:
        _check_user(allow_root=arguments.allow_root)
    originals = notebook_files()
    copies = working_copy(originals, arguments.folder, renew=arguments.renew)
    print(copies, flush=True)
    if not arguments.copy_only:
        _open_lab(lab_arguments(copies.folder, arguments, first=originals[0].name))
    return DONE


def _check_user(*, allow_root: bool) -> None:
    """Refuse with a sentence what JupyterLab would refuse with a page of log."""
    if hasattr(os, "geteuid") and os.geteuid() == 0 and not allow_root:
        msg = (
            "JupyterLab gives whoever reaches it the rights of its user, and you are root; start it as an "
            "ordinary user, or add --allow-root where that is meant, as in a container"
        )
        raise InputError(msg)


def lab_arguments(folder: Path, arguments: argparse.Namespace, *, first: str) -> list[str]:
    """Return the options that JupyterLab gets: it shows the folder, nothing above, and the first notebook."""
    options = [f"--ServerApp.root_dir={folder.resolve()}"]
    if not any("default_url" in option for option in arguments.lab_option):
        options.append(f"--LabApp.default_url=/lab/tree/{first}")
    if arguments.no_browser:
        options.append("--no-browser")
    if arguments.port is not None:
        options.append(f"--port={arguments.port}")
    if arguments.allow_root:
        options.append("--allow-root")
    return [*options, *arguments.lab_option]


def _open_lab(options: list[str]) -> None:
    from jupyterlab.labapp import LabApp

    LabApp.launch_instance(options)
