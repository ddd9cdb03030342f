import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.provider.JpaCapabilityStatementProvider;
import ca.uhn.fhir.jpa.provider.JpaSystemProvider;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.rest.api.EncodingEnum;
import ca.uhn.fhir.rest.server.RestfulServer;
import ca.uhn.fhir.rest.server.provider.ResourceProviderFactory;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import org.eclipse.jetty.ee10.servlet.ServletContextHandler;
import org.eclipse.jetty.ee10.servlet.ServletHolder;
import org.eclipse.jetty.server.ServerConnector;
import org.springframework.context.annotation.AnnotationConfigApplicationContext;

/**
 * A general FHIR R4 server on this machine alone, which forgets everything at its end. It prints
 * fhir=URL when it is ready, and ends when its standard input does.
 *
 * <pre>java -cp … Server [PORT]</pre>
 */
public final class Server {
  private Server() {}

  public static void main(String[] args) throws Exception {
    AnnotationConfigApplicationContext beans = new AnnotationConfigApplicationContext(Storage.class);
    ServletContextHandler root = new ServletContextHandler();
    root.addServlet(new ServletHolder(servlet(beans)), "/fhir/*");

    org.eclipse.jetty.server.Server server = new org.eclipse.jetty.server.Server();
    ServerConnector connector = new ServerConnector(server);
    connector.setHost("127.0.0.1");
    connector.setPort(args.length > 0 ? Integer.parseInt(args[0]) : 0);
    server.addConnector(connector);
    server.setHandler(root);
    server.start();
    System.out.println("fhir=http://127.0.0.1:" + connector.getLocalPort() + "/fhir");
    while (System.in.read() >= 0) {
      // Whoever started it is there.
    }
    System.exit(0); // what it holds is in memory, so nothing has to be closed
  }

  private static RestfulServer servlet(AnnotationConfigApplicationContext beans) {
    RestfulServer servlet = new RestfulServer(beans.getBean(FhirContext.class));
    servlet.registerProviders(beans.getBean(ResourceProviderFactory.class).createProviders());
    servlet.registerProvider(beans.getBean(JpaSystemProvider.class));
    servlet.setServerConformanceProvider(
        new JpaCapabilityStatementProvider(
            servlet,
            beans.getBean(IFhirSystemDao.class),
            beans.getBean(JpaStorageSettings.class),
            beans.getBean(ISearchParamRegistry.class),
            beans.getBean(IValidationSupport.class)));
    servlet.setPagingProvider(beans.getBean(DatabaseBackedPagingProvider.class));
    servlet.setDefaultResponseEncoding(EncodingEnum.JSON);
    return servlet;
  }
}
