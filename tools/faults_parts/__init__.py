"""Parts of tools/faults: the bench, the faults by family, the checks, and what is told of them."""
