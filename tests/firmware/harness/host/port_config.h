// The bridge's core on the host, sized and described as the example `hello-answer` of bridge-protocol.md is, except for the abilities,
// where the build may say otherwise.
#define BRIDGE_WINDOW 4
#define BRIDGE_FRAME 600
#define BRIDGE_BLOCK 512
#ifndef BRIDGE_SPARE
#define BRIDGE_SPARE 617
#endif
#define BRIDGE_SLOWEST_SPI 1000
#define BRIDGE_FASTEST_SPI 8000000
#ifndef BRIDGE_ABILITIES
#define BRIDGE_ABILITIES 1
#endif
#define BRIDGE_NAME "bench bridge"
