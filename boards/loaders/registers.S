// Not assembled: build.sh runs the preprocessor over it, which puts avr-libc's data-space addresses in the place of names.
// Lines: `usart NUMBER`, then UCSRnA, UCSRnB, UBRRnL, UBRRnH and UDRn, or what a LIN controller has for them; `pin LETTER` and PINx,
// PORTx; `end` and FLASHEND.
#include <avr/io.h>
#if defined(UCSR0A) && defined(UBRR0L)
usart 0;UCSR0A;UCSR0B;UBRR0L;UBRR0H;UDR0
#elif defined(UCSR0A) && defined(UBRR0)
usart 0;UCSR0A;UCSR0B;UBRR0;UBRRH;UDR0
#elif defined(UCSRA) && defined(UBRRL)
usart 0;UCSRA;UCSRB;UBRRL;UBRRH;UDR
#elif defined(UCSRA) && defined(UBRR)
usart 0;UCSRA;UCSRB;UBRR;UBRRHI;UDR
#elif defined(LINCR)
usart 0;LINCR;LINCR;LINBRRL;LINBRRH;LINDAT
#endif
#if defined(UCSR1A) && defined(UBRR1L)
usart 1;UCSR1A;UCSR1B;UBRR1L;UBRR1H;UDR1
#endif
#if defined(UCSR1A) && defined(UBRR1) && !defined(UBRR1L)
usart 1;UCSR1A;UCSR1B;UBRR1;UBRRH;UDR1
#endif
#if defined(UCSR2A) && defined(UBRR2L)
usart 2;UCSR2A;UCSR2B;UBRR2L;UBRR2H;UDR2
#endif
#if defined(UCSR3A) && defined(UBRR3L)
usart 3;UCSR3A;UCSR3B;UBRR3L;UBRR3H;UDR3
#endif
#ifdef PORTA
pin A;PINA;PORTA
#endif
#ifdef PORTB
pin B;PINB;PORTB
#endif
#ifdef PORTC
pin C;PINC;PORTC
#endif
#ifdef PORTD
pin D;PIND;PORTD
#endif
#ifdef PORTE
pin E;PINE;PORTE
#endif
#ifdef PORTF
pin F;PINF;PORTF
#endif
#ifdef PORTG
pin G;PING;PORTG
#endif
#ifdef PORTH
pin H;PINH;PORTH
#endif
#ifdef PORTJ
pin J;PINJ;PORTJ
#endif
#ifdef PORTK
pin K;PINK;PORTK
#endif
#ifdef PORTL
pin L;PINL;PORTL
#endif
