"""What programs call: each long job in two forms, with one way to follow it and one to stop it.

`packer` itself gives out all names. A job without a suffix blocks; its form with `_async` is awaited, and calls
`on_progress` in the event loop's thread. `stop` works for both, from any thread.
"""
