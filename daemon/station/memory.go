package station

import "sync"

// heapFloor is memory that is taken and never touched, so that by itself it costs addresses and no memory. The collector runs when as
// much again was allocated as is in use: with the floor after 128 MiB, which this process then takes, without it after some MiB,
// several times a second. Each of its runs stops all goroutines until the slowest thread has noticed, which on a busy computer is
// milliseconds that a trip would wait.
const heapFloor = 128 << 20

// holdFloor takes the floor, once for the process.
var holdFloor = sync.OnceValue(func() []byte { return make([]byte, heapFloor) })
