"""Customer text at its worst."""

# One corpus for every place that shows customer text.
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "[press](javascript:alert(1))",
    '#eval("1")',
    "*b*",
    "$x^2$ $\\frac{$",
    "=1+1",
    "../../x",
    "CON",
    "abc\u202egnp.exe",
    "株式会社 試験部品",
    "قطعة اختبار",
    "🧪🛠️ piece 👩\u200d🔧",
    "W" * 400,
    "",
    "{{ 7 * 7 }}{% raw %}",
    "</style><style>*{display:none}",
    "tab\tnul\x00bell\x07line\nfeed",
)
