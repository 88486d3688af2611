#ifndef BOARD_H
#define BOARD_H

// Lets go of every line. The first thing after the start, before any clock.
void start_board(void);

// Sets up SPI and ADC, once the clocks run.
void start_board_units(void);

#endif
