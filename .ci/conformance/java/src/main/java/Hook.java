import ca.uhn.fhir.context.FhirContext;
import com.sun.net.httpserver.HttpServer;
import java.io.IOException;
import java.net.InetAddress;
import java.net.InetSocketAddress;
import java.nio.charset.StandardCharsets;
import java.util.ArrayList;
import java.util.Collections;
import java.util.List;
import java.util.stream.Collectors;
import java.util.stream.Stream;
import org.hl7.fhir.r4.model.Bundle;
import org.hl7.fhir.r4.model.IdType;
import org.hl7.fhir.r4.model.Parameters;
import org.hl7.fhir.r4.model.Reference;
import org.hl7.fhir.r4.model.Type;

/** An endpoint on loopback that takes every notification, and how a notification is read. */
final class Hook {
  private final List<Bundle> got = Collections.synchronizedList(new ArrayList<>());
  private final HttpServer server;

  Hook(FhirContext context) throws IOException {
    server = HttpServer.create(new InetSocketAddress(InetAddress.getLoopbackAddress(), 0), 0);
    server.createContext(
        "/hook",
        exchange -> {
          String body = new String(exchange.getRequestBody().readAllBytes(), StandardCharsets.UTF_8);
          got.add(context.newJsonParser().parseResource(Bundle.class, body));
          exchange.sendResponseHeaders(200, -1);
          exchange.close();
        });
    server.start();
  }

  String url() {
    return "http://127.0.0.1:" + server.getAddress().getPort() + "/hook";
  }

  /** What was sent so far, in order. */
  List<Bundle> got() {
    return List.copyOf(got);
  }

  void stop() {
    server.stop(0);
  }

  private static Parameters statusOf(Bundle notification) {
    return (Parameters) notification.getEntryFirstRep().getResource();
  }

  static String kindOf(Bundle notification) {
    return statusOf(notification).getParameter("type").getValue().primitiveValue();
  }

  private static Stream<Parameters.ParametersParameterComponent> events(List<Bundle> notifications) {
    return notifications.stream()
        .filter(n -> !kindOf(n).equals("handshake"))
        .flatMap(n -> statusOf(n).getParameter().stream())
        .filter(p -> p.getName().equals("notification-event"));
  }

  private static Type part(Parameters.ParametersParameterComponent event, String name) {
    return event.getPart().stream().filter(p -> p.getName().equals(name)).findFirst().orElseThrow().getValue();
  }

  /** The numbers of the events, in order. */
  static List<String> numbers(List<Bundle> notifications) {
    return events(notifications).map(e -> part(e, "event-number").primitiveValue()).collect(Collectors.toList());
  }

  /** What the events are about, in order, without versions. */
  static List<String> foci(List<Bundle> notifications) {
    return events(notifications)
        .map(e -> new IdType(((Reference) part(e, "focus")).getReference()).toUnqualifiedVersionless().getValue())
        .collect(Collectors.toList());
  }
}
