"""``clackcount completion``: the script that lets a shell complete our commands."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str) -> None:
    """Print the script that completes commands, options and file names in your shell.

    \b
    bash:  clackcount completion bash > ~/.local/share/bash-completion/completions/clackcount
    zsh:   clackcount completion zsh > a file named _clackcount in a folder of your $fpath
    fish:  clackcount completion fish > ~/.config/fish/completions/clackcount.fish
    """
    from clackcount.cli.main import COMPLETE_VARIABLE, PROGRAM, cli

    completion = get_completion_class(shell)
    assert completion is not None, "click knows these three shells"
    click.echo(completion(cli, {}, PROGRAM, COMPLETE_VARIABLE).source())
