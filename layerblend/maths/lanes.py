"""The smaller and the larger of two numbers as single processor instructions, for compiled loops over many columns at once.

Written with comparisons, a compiler turns the exchange of two array elements into masked stores, five times slower.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba.extending import intrinsic


def _instruction(name: str) -> Any:
    @intrinsic
    def chosen(typing_context: Any, x: Any, y: Any) -> Any:
        def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
            kind = arguments[0].type
            function = builder.module.declare_intrinsic(name, [kind], ir.FunctionType(kind, [kind, kind]))
            return builder.call(function, arguments, fastmath=("nnan", "nsz"))

        return x(x, y), generate

    return chosen


smaller = _instruction("llvm.minnum")
larger = _instruction("llvm.maxnum")
