"""The command ``evenbeat completion``: a script with which a shell completes commands, options and keys."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from evenbeat.bench import keys_of
from evenbeat.command.arguments import DONE

INSTALLED = {
    "bash": "evenbeat completion bash > ~/.local/share/bash-completion/completions/evenbeat",
    "zsh": "evenbeat completion zsh > ~/.zfunc/_evenbeat (with ~/.zfunc in fpath)",
    "fish": "evenbeat completion fish > ~/.config/fish/completions/evenbeat.fish",
}
_BASH = """# bash completion of evenbeat; loaded by the name of the command
_evenbeat() {{
    local word=${{COMP_WORDS[COMP_CWORD]}} before=${{COMP_WORDS[COMP_CWORD-1]}} command=${{COMP_WORDS[1]}}
    COMPREPLY=()
    case $command in register) command="register ${{COMP_WORDS[2]}}" ;; esac
    if [ "$before" = --set ]; then
        compopt -o nospace 2>/dev/null
        case $command in
{keys}
        esac
        return
    fi
    if [ "$COMP_CWORD" -eq 1 ]; then
        COMPREPLY=($(compgen -W "{commands}" -- "$word"))
        return
    fi
    if [ "$COMP_CWORD" -eq 2 ] && [ "${{COMP_WORDS[1]}}" = register ]; then
        COMPREPLY=($(compgen -W "{tasks}" -- "$word"))
        return
    fi
    case $word in
        -*) case $command in
{options}
        esac ;;
        *) compopt -o default 2>/dev/null ;;
    esac
}}
complete -F _evenbeat evenbeat
"""
_ZSH = """#compdef evenbeat
# zsh completion of evenbeat, by way of that of bash
autoload -U +X bashcompinit && bashcompinit
compopt() {{ :; }}
{bash}"""


def add_completion(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "completion",
        help="print a script with which bash, zsh or fish completes commands, options and keys",
        description="Print a script for a shell. " + "; ".join(INSTALLED.values()) + ".",
        epilog='example: eval "$(evenbeat completion bash)"',
    )
    parser.set_defaults(run=_completion)
    parser.add_argument("shell", metavar="SHELL", choices=tuple(INSTALLED), help="bash, zsh or fish")


def _completion(arguments: argparse.Namespace) -> int:
    from evenbeat.command.main import command_parser

    parsers = dict(_parsers(command_parser()))
    if arguments.shell == "fish":
        print("\n".join(_fish(parsers)))
        return DONE
    bash = _bash(parsers)
    print(_ZSH.format(bash=bash) if arguments.shell == "zsh" else bash, end="")
    return DONE


def _parsers(
    parser: argparse.ArgumentParser, above: str = ""
) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """Yield the name and the parser of every command, those within a command behind it."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, below in action.choices.items():
                yield f"{above}{name}", below
                yield from _parsers(below, f"{above}{name} ")


def _options(parser: argparse.ArgumentParser) -> list[str]:
    return [word for word in parser._option_string_actions if word.startswith("--")]


def _bash(parsers: dict[str, argparse.ArgumentParser]) -> str:
    def case(name: str, words: list[str]) -> str:
        return f'            {name!r}) COMPREPLY=($(compgen -W {" ".join(words)!r} -- "$word")) ;;'

    keys = {name: [f"{key.name}=" for key in keys_of(name)] for name in parsers}
    return _BASH.format(
        commands=" ".join(name for name in parsers if " " not in name),
        tasks=" ".join(name.partition(" ")[2] for name in parsers if name.startswith("register ")),
        keys="\n".join(case(name, words) for name, words in keys.items() if words),
        options="\n".join(case(name, _options(parser)) for name, parser in parsers.items()),
    )


def _fish(parsers: dict[str, argparse.ArgumentParser]) -> Iterator[str]:
    yield "# fish completion of evenbeat"
    for name, parser in parsers.items():
        command, _, task = name.partition(" ")
        within = f"__fish_seen_subcommand_from {task or command}"
        if task:
            yield f"complete -c evenbeat -n '__fish_seen_subcommand_from {command}' -a {task}"
        else:
            yield f"complete -c evenbeat -n __fish_use_subcommand -a {command}"
        for option in _options(parser):
            takes = "" if parser._option_string_actions[option].nargs == 0 else " -r"
            yield f"complete -c evenbeat -n '{within}' -l {option[2:]}{takes}"
        keys = " ".join(f"{key.name}=" for key in keys_of(name))
        if keys:
            yield f"complete -c evenbeat -n '{within}' -l set -x -a '{keys}'"
