"""From the ledger to parameters with intervals."""
