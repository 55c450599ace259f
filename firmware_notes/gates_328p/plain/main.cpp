// The frame that an Arduino core would put around the sketch.

void setup();
void loop();

int main() {
    setup();
    while (true) loop();
}
