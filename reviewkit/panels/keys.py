"""Keys typed into a panel stay in it."""


def kept_keys(panel: str) -> str:
    """A style element that makes a panel's lists and buttons keep the letters typed on them.

    A notebook takes letters typed on a list or a button for commands of its own, such as to
    delete a cell, unless the element itself says not to; only the page can make it say so.

    Parameters
    ----------
    panel : str
        Class of the panel, of the kit's own naming.

    Returns
    -------
    str
        HTML, open: rules of style may follow, then ``</style>``.
    """
    return f"""<style onload="this.closest('.{panel}')?.addEventListener('focusin',
  event => event.target.setAttribute('data-lm-suppress-shortcuts', 'true'))">"""
