// The simplest way to time two light gates: attachInterrupt() and micros(), plain lines.
//
// Gate A on D2, gate B on D3, each giving 5 V while its beam is blocked. Every time a beam
// becomes blocked one line is printed: the gate and the time in microseconds, "A 123456".
// micros() counts in steps of 4 us and the handlers wait for one another and for the core's
// own interrupts, so this is good for slow bodies; ../gates_328p/ is the exact way.
//
// Low voltage only: the sensors run from the board's 5 V, nothing here may touch the mains.
// Before anything is launched, read the cautions in the notes.

volatile unsigned long timeA, timeB;
volatile bool newA, newB;

void gateA() {
  timeA = micros();
  newA = true;
}

void gateB() {
  timeB = micros();
  newB = true;
}

void setup() {
  Serial.begin(250000);
  pinMode(2, INPUT_PULLUP);
  pinMode(3, INPUT_PULLUP);
  attachInterrupt(digitalPinToInterrupt(2), gateA, RISING);
  attachInterrupt(digitalPinToInterrupt(3), gateB, RISING);
}

void report(char gate, volatile unsigned long &time, volatile bool &isNew) {
  noInterrupts();
  const bool wasNew = isNew;
  const unsigned long when = time;
  isNew = false;
  interrupts();
  if (wasNew) {
    Serial.print(gate);
    Serial.print(' ');
    Serial.println(when);
  }
}

void loop() {
  report('A', timeA, newA);
  report('B', timeB, newB);
}
