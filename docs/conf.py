"""Settings of Sphinx; build.py puts this file beside the pages that it gathers."""

from filmdose.version import __version__

project = "filmdose"
author = "The filmdose developers"
copyright = "2026, the filmdose developers"
version = release = __version__

extensions = ["sphinx.ext.autodoc", "sphinx.ext.viewcode", "sphinx.ext.mathjax", "numpydoc", "myst_nb"]
exclude_patterns = ["conf.py"]
html_theme = "alabaster"
html_theme_options = {
    "description": "exposure indices for film that was scanned",
    "page_width": "1080px",
    "sidebar_width": "250px",
}
html_static_path = ["_static"]
html_css_files = ["tables.css"]
html_title = f"filmdose {__version__}"
html_show_sourcelink = False

autodoc_member_order = "bysource"
autodoc_typehints = "none"  # the parameters' texts say it
numpydoc_show_class_members = False
numpydoc_class_members_toctree = False

nb_execution_mode = "off"  # the notebooks are stored with their outputs, and run elsewhere
myst_enable_extensions = ["dollarmath", "deflist"]
myst_heading_anchors = 3
suppress_warnings = ["mystnb.unknown_mime_type", "config.cache"]
