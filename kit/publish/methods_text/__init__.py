"""The methods appendix, from what was really done: HTML and Markdown, formulas as MathML."""

from kit.publish.methods_text.appendix import Methods, methods, write_methods

__all__ = ["Methods", "methods", "write_methods"]
