"""What is sent of a template: its words and their spaces, without the layout it is written in."""

import pytest
from django.template import engines
from django.template.loader import get_template

from shop.template_layout import without_layout

LAID_OUT = {
    "words keep one space": ("<p>\n  Read it\n  again\n</p>", "<p>Read it again</p>"),
    "a value in a sentence": ("<p>\n  at\n  {{ a }}\n  and\n</p>", "<p>at {{ a }} and</p>"),
    "an element in a sentence": ("by\n<b>\n  {{ a }}\n</b>\nalone", "by <b>{{ a }}</b> alone"),
    "a block ends a sentence": ("by\n<div>\n  it\n</div>\nalone", "by<div>it</div>alone"),
    "two elements": ("<b>a</b>\n<i>b</i>", "<b>a</b><i>b</i>"),
    "a space on one line": ("<b>a</b> <i>b</i>", "<b>a</b> <i>b</i>"),
    "beside a tag of the template": (
        "{% if a %}\n  one\n{% endif %}\nx",
        "{% if a %}one{% endif %}x",
    ),
    "a sentence to be translated": (
        "<b>a</b>\n{% blocktranslate %}\n  one\n  {{ b }}\n{% endblocktranslate %}\n{{ c }}\n"
        '{% translate "two" %}\n<i>d</i>',
        "<b>a</b> {% blocktranslate %}one {{ b }}{% endblocktranslate %} {{ c }} "
        '{% translate "two" %} <i>d</i>',
    ),
    "a no-break space": ("4\u00a0\n\u00a0V", "4\u00a0 \u00a0V"),
    "attributes": (
        '<p\n  id="a"\n  {% if b %}\n    class="b"\n  {% endif %}\n>x</p>',
        '<p id="a" {% if b %} class="b" {% endif %}>x</p>',
    ),
    "the value of an attribute": ("<p title='a >\n  \"b\"'>x</p>", "<p title='a > \"b\"'>x</p>"),
    "a tag named by a value": (
        "<{{ a }}\n  id='b'\n>\n  x\n</{{ a }}>",
        "<{{ a }} id='b'>x</{{ a }}>",
    ),
    "kept": ("<pre>\n a\n  {{ b }}\n</pre>\n<b>", "<pre>\n a\n  {{ b }}\n</pre><b>"),
    "typed text": (
        "<textarea\n rows='2'>\n {{ a }}\n</textarea>\n<b>",
        "<textarea rows='2'>\n {{ a }}\n</textarea><b>",
    ),
}


@pytest.mark.parametrize("name", LAID_OUT)
def test_layout_is_left_out_and_words_stay_apart(name: str) -> None:
    source, sent = LAID_OUT[name]
    assert without_layout(source) == sent
    assert without_layout(sent) == sent


def test_pages_are_loaded_without_layout_and_other_templates_as_they_are(
    tmp_path, settings
) -> None:
    for name in ("a.html", "a.txt"):
        (tmp_path / name).write_text("<p>\n  one\n  two\n</p>\n")
    settings.TEMPLATES = [settings.TEMPLATES[0] | {"DIRS": [tmp_path]}]
    assert engines["django"].get_template("a.html").render() == "<p>one two</p>"
    assert engines["django"].get_template("a.txt").render() == "<p>\n  one\n  two\n</p>\n"
    assert get_template("django/forms/widgets/textarea.html").render({"widget": {}})
