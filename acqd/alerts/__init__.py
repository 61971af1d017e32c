"""When somebody is to be told of something, in which words, and by which way."""
