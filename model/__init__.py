"""Photo in, judgement out: pixels and labels. Knows no database and no web page.

Importing this package, or its vocabulary, families, errors or judgement modules, does not load torch.
"""
