// The simplest way to time two light gates: attachInterrupt() and micros(), with plain lines.
//
// Gate A is at D2 and gate B is at D3. Each gate gives 5 V while its beam is blocked. Every time a
// beam becomes blocked, the sketch prints the gate and the time in microseconds: "A 123456".
// micros() has steps of 4 us. The handlers wait for each other and for the interrupts of the core.
// So this sketch is exact enough only for slow bodies. The firmware in ../gates_328p/ is exact.
//
// Low voltage only: the sensors use the 5 V of the board. Connect nothing to the mains.
// Before you launch anything, read the cautions in the notes.

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
