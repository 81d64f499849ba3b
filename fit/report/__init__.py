"""One page that stands alone: pictures, sizes with U95, verdicts, budgets, warnings and what to do about them."""

__all__: list[str] = []
