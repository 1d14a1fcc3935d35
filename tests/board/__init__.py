"""The core of the tests on the processor of small boards, emulated: `make board`."""
