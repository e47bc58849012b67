"""The search of one rack: seeds, Optuna's sampler and record, refinement by linear steps.

It may not know study files: it takes a problem, designs in and numbers and limits out.
"""
