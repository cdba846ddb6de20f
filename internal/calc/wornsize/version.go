package wornsize

// Version names the model and its numerics in every answer that rests on them. It
// changes whenever the same readings may get another answer.
const Version = "wornsize 1"
