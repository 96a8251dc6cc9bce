// As much of the Arduino API as the examples use, on a computer.
#pragma once

#include <math.h>
#include <stdint.h>

uint32_t millis();
long random(long below);
void setup();
void loop();
