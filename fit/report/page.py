def report_html(results, record, *, points=None, pictures=None, sketch_svg="", parts=(), unit_out="mm", title=None):
    from html import escape
    from fit.commands.show import result_table

    return (
        "<!doctype html><meta charset=utf-8><title>Result</title><pre>"
        + escape("\n".join(result_table(results, unit_out)))
        + "</pre>"
        + sketch_svg
    )
