"""A command whose options are taken once, unless they say that they can be repeated."""

from collections import Counter
from typing import Any

from typer.core import TyperCommand, TyperOption


class OnceCommand(TyperCommand):
    """Refuses an option that is given twice with two values, of which the parser would keep the last in silence."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """As the parser does it, after a look at how often each option is there."""
        _, _, order = self.make_parser(ctx).parse_args(args=list(args))
        for option, times in Counter(one for one in order if isinstance(one, TyperOption)).items():
            if times > 1 and not option.multiple and not option.is_flag:
                ctx.fail(f"{option.opts[0]} is given {times} times and takes one value; keep one of them")
        return super().parse_args(ctx, args)
