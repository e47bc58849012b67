"""From toe measured on the finished car to the shim: which, where, how thick, and is it worth it?

`readings` reads the file, `signs` asks whether toe-in was read as toe-in, `model` and `estimate`
tell what the readings leave open of the car, `shims` choose, `words` and `folder` say and write it.
"""
