"""The form for the bench: a unit taken in, a job written up, and what the job changed.

It writes by the very code that the commands `intake` and `add` go through. Only this part of the
package needs ipywidgets, and only a notebook imports it.
"""

from reliability.report.form.desk import Desk, open_desk

__all__ = ["Desk", "open_desk"]
