"""From the feed point to the radio: lines, transformers, tuners and the chain they make."""

from .line import Line, LineStress
from .transformer import IdealTransformer, Transformer
from .two_port import TwoPort, swr

__all__ = ["IdealTransformer", "Line", "LineStress", "Transformer", "TwoPort", "swr"]
